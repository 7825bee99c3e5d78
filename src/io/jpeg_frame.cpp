#include <turbojpeg.h>

#include <algorithm>
#include <array>
#include <memory>
#include <optional>

#include "base/text.hpp"
#include "io/frame_detail.hpp"

namespace broadloom::frame_detail {
namespace {

// libjpeg-turbo refuses larger sides.
constexpr int64_t kMaxJpegSide = 65500;
// Far above any frame's; keeps a wrong file from filling the memory.
constexpr int64_t kMaxJpegBytes = int64_t{1} << 30;
// Cameras write some tens of segments before the picture.
constexpr int kMaxSegments = 4096;

struct Component {
    int id = 0, h = 0, v = 0;
};

/// Markers by ITU-T T.81, table B.1.
enum Marker : int {
    kSof0 = 0xC0,
    kSof1 = 0xC1,
    kSof2 = 0xC2,
    kDht = 0xC4,
    kSof9 = 0xC9,
    kSof10 = 0xCA,
    kJpg = 0xC8,
    kDac = 0xCC,
    kSoi = 0xD8,
    kEoi = 0xD9,
    kSos = 0xDA,
    kApp0 = 0xE0,
    kApp14 = 0xEE,
    kTem = 0x01,
};

/// The subsampling in TurboJPEG's words, or nothing when the planes cannot be kept as they are.
std::optional<int> subsampling_of(int x, int y) {
    if (x == 1 && y == 1) return TJSAMP_444;
    if (x == 2 && y == 1) return TJSAMP_422;
    if (x == 2 && y == 2) return TJSAMP_420;
    if (x == 1 && y == 2) return TJSAMP_440;
    if (x == 4 && y == 1) return TJSAMP_411;
    return std::nullopt;
}

int word(const uint8_t* p) { return p[0] * 256 + p[1]; }

/// The colour space that libjpeg assumes for three components.
bool is_ycc(const std::array<Component, 4>& c, bool jfif, std::optional<int> adobe_transform) {
    if (jfif) return true;
    if (adobe_transform) return *adobe_transform != 0;
    return !(c[0].id == 'R' && c[1].id == 'G' && c[2].id == 'B');
}

/// Averages blocks of planes decoded whole; the sizes fit, since ceil(ceil(n / a) / b) does not
/// depend on the order of a and b.
void average_blocks(const FramePixels& whole, FramePixels& pixels) {
    const int64_t step = pixels.denominator;
    for (size_t i = 0; i < pixels.planes.size(); ++i) {
        const FramePlane& from = whole.planes[i];
        const FramePlane& to = pixels.planes[i];
        for (int64_t y = 0; y < to.height; ++y) {
            for (int64_t x = 0; x < to.width; ++x) {
                const int64_t x1 = std::min((x + 1) * step, from.width);
                const int64_t y1 = std::min((y + 1) * step, from.height);
                int64_t sum = 0;
                const int64_t n = (x1 - x * step) * (y1 - y * step);
                for (int64_t v = y * step; v < y1; ++v) {
                    for (int64_t u = x * step; u < x1; ++u) {
                        sum += static_cast<int64_t>(from.origin[v * from.stride + u]);
                    }
                }
                to.origin[y * to.stride + x] = static_cast<std::byte>((sum + n / 2) / n);
            }
        }
    }
}

struct HandleDeleter {
    void operator()(void* handle) const { tjDestroy(handle); }
};

}  // namespace

void read_jpeg_header(const FrameFile& file, FrameInfo& info) {
    const std::string& name = file.name();
    const auto damaged = [&](const char* what) {
        refuse(name, std::string("the JPEG header is damaged (") + what + "): copy the file again");
    };
    int64_t at = 2;  // after SOI
    bool jfif = false;
    std::optional<int> adobe_transform;
    int sof = 0, components = 0;
    std::array<Component, 4> component{};
    for (int segment = 0;; ++segment) {
        std::array<uint8_t, 4> head{};
        if (segment == kMaxSegments) damaged("no picture among its segments");
        // Any number of 0xFF may fill the space before a marker.
        if (file.read_at(at, std::span(head).first(2)) < 2) damaged("it ends too early");
        if (head[0] != 0xFF) damaged("a marker is missing");
        if (head[1] == 0xFF) {
            ++at;
            continue;
        }
        const int marker = head[1];
        if (marker == kTem || (marker >= 0xD0 && marker <= kSoi)) {
            at += 2;
            continue;
        }
        if (marker == kEoi) damaged("it holds no picture");
        if (file.read_at(at, head) < 4) damaged("it ends too early");
        const int length = word(&head[2]);
        if (length < 2) damaged("a segment has no length");
        std::array<uint8_t, 20> body{};
        const size_t have = file.read_at(
            at + 4,
            std::span(body).first(std::min<size_t>(body.size(), static_cast<size_t>(length) - 2)));
        const bool is_sof =
            marker >= kSof0 && marker <= 0xCF && marker != kDht && marker != kJpg && marker != kDac;
        if (marker == kApp0 && have >= 5 && std::equal(&body[0], &body[5], "JFIF")) jfif = true;
        if (marker == kApp14 && have >= 12 && std::equal(&body[0], &body[5], "Adobe")) {
            adobe_transform = body[11];
        }
        if (is_sof) {
            if (sof != 0) damaged("it describes two pictures");
            sof = marker;
            if (have < 6) damaged("it ends too early");
            if (body[0] != 8) {
                refuse(name, "a JPEG of " + std::to_string(body[0]) +
                                 " bits is not supported: convert it to 16-bit TIFF");
            }
            info.stored_height = word(&body[1]);
            info.stored_width = word(&body[3]);
            components = body[5];
            if (components == 4) {
                refuse(name, "a JPEG in CMYK is not supported: convert it to RGB");
            }
            if (components != 1 && components != 3) {
                refuse(name, "a JPEG of " + std::to_string(components) +
                                 " colours is not supported: convert it to RGB");
            }
            if (have < 6 + 3 * static_cast<size_t>(components)) damaged("it ends too early");
            for (int i = 0; i < components; ++i) {
                Component& c = component[static_cast<size_t>(i)];
                const uint8_t* p = &body[6 + 3 * static_cast<size_t>(i)];
                c = {p[0], p[1] >> 4, p[1] & 15};
                if (c.h < 1 || c.h > 4 || c.v < 1 || c.v > 4) damaged("wrong sampling factors");
            }
        }
        if (marker == kSos) {
            if (sof == 0) damaged("the picture's size is missing");
            if (have < 1) damaged("it ends too early");
            // A scan of some of the components only: the decoder keeps all coefficients.
            info.progressive = sof == kSof2 || sof == kSof10 || body[0] < components;
            break;
        }
        at += 2 + length;
    }
    if (sof != kSof0 && sof != kSof1 && sof != kSof2 && sof != kSof9 && sof != kSof10) {
        refuse(name, "a lossless or hierarchical JPEG is not supported: convert it to TIFF");
    }
    if (info.stored_width < 1 || info.stored_height < 1) damaged("a side of 0 pixels");
    if (info.stored_width > kMaxJpegSide || info.stored_height > kMaxJpegSide) {
        refuse(name, "a JPEG of " + std::to_string(info.stored_width) + "x" +
                         std::to_string(info.stored_height) +
                         " pixels is too large (65500 a side): convert it to TIFF");
    }
    info.jpeg = true;
    info.bits = 8;
    info.subsample_x = info.subsample_y = 1;
    if (components == 1) {
        info.colour = FrameColour::grey;
        return;
    }
    const bool ycc = is_ycc(component, jfif, adobe_transform);
    info.colour = ycc ? FrameColour::ycc : FrameColour::rgb;
    const Component& first = component[0];
    const Component& second = component[1];
    const bool whole = first.h % second.h == 0 && first.v % second.v == 0 &&
                       second.h == component[2].h && second.v == component[2].v;
    const int x = whole ? first.h / second.h : 0, y = whole ? first.v / second.v : 0;
    if (!subsampling_of(x, y) || (!ycc && (x != 1 || y != 1))) {
        refuse(name,
               "a JPEG with this chroma subsampling is not supported: save it again as "
               "4:2:0 or 4:4:4");
    }
    info.subsample_x = x;
    info.subsample_y = y;
}

void decode_jpeg(const FrameFile& file, const FrameInfo& info, FramePixels& pixels) {
    const std::string& name = file.name();
    if (file.size() > kMaxJpegBytes) {
        refuse(name, "a JPEG file of more than 1 GiB is not supported: convert it to TIFF");
    }
    const Mapping data(static_cast<size_t>(file.size()));
    if (file.read_at(0, {data.data(), data.size()}) != data.size()) {
        refuse(name, "the file became shorter while it was read: copy it again");
    }
    const std::unique_ptr<void, HandleDeleter> handle(tjInitDecompress());
    if (!handle) throw Error(ErrorCode::machine, name + ": no memory for the JPEG decoder");
    const auto damaged = [&] {
        refuse(name,
               std::string("the JPEG data are damaged or incomplete: copy the file again, or "
                           "leave the frame out"),
               name + ": the decoder says: " + escaped(tjGetErrorStr2(handle.get())));
    };
    int width = 0, height = 0, subsampling = 0, colour = 0;
    if (tjDecompressHeader3(handle.get(), data.data(), data.size(), &width, &height, &subsampling,
                            &colour) != 0) {
        damaged();
    }
    const FrameColour found = colour == TJCS_GRAY    ? FrameColour::grey
                              : colour == TJCS_YCbCr ? FrameColour::ycc
                                                     : FrameColour::rgb;
    const int expected = info.colour == FrameColour::grey
                             ? static_cast<int>(TJSAMP_GRAY)
                             : subsampling_of(info.subsample_x, info.subsample_y).value_or(-1);
    if (width != info.stored_width || height != info.stored_height || found != info.colour ||
        subsampling != expected) {
        refuse(name, "the file has changed since it was checked: start again");
    }
    // TurboJPEG chooses the scale by the size asked for, which is ambiguous for a picture inside
    // one block; and at 1/8 it reads past its row buffer when a 4:1:1 picture is one block wide.
    // Pictures that narrow are decoded whole and averaged.
    constexpr int64_t kBlock = 8;
    FramePixels whole;
    const bool narrow = pixels.denominator > 1 && info.stored_width <= kBlock;
    if (narrow) whole.allocate(info, 1);
    const FramePixels& target = narrow ? whole : pixels;
    // Raw planes are exact: no colour conversion and no interpolated chroma. TurboJPEG pads a luma
    // plane to whole chroma samples (up to 3 columns, 1 row); they fall into the border, which is
    // overwritten afterwards. The default inverse DCT is the accurate integer one.
    static_assert(kPlanePad >= 3);
    std::array<unsigned char*, 3> planes{};
    std::array<int, 3> strides{};
    for (size_t i = 0; i < target.planes.size(); ++i) {
        planes[i] = reinterpret_cast<unsigned char*>(target.planes[i].origin);
        strides[i] = static_cast<int>(target.planes[i].stride);
    }
    // A warning means that data are missing or wrong; stopping at the first one also keeps a short
    // file that claims a huge picture from filling the memory.
    if (tjDecompressToYUVPlanes(handle.get(), data.data(), data.size(), planes.data(),
                                static_cast<int>(target.width), strides.data(),
                                static_cast<int>(target.height),
                                TJFLAG_STOPONWARNING | TJFLAG_LIMITSCANS) != 0) {
        damaged();
    }
    if (narrow) average_blocks(whole, pixels);
}

}  // namespace broadloom::frame_detail
