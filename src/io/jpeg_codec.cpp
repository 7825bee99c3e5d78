#include "io/jpeg_codec.hpp"

#include <turbojpeg.h>

#include <string>

#include "broadloom/error.hpp"

namespace broadloom {
namespace {

/// Markers by ITU-T T.81, table B.1.
enum Marker : int { kDht = 0xC4, kSoi = 0xD8, kEoi = 0xD9, kSos = 0xDA, kDqt = 0xDB, kCom = 0xFE };

[[noreturn]] void fail(const std::string& what) {
    throw Error(ErrorCode::internal, "a JPEG tile " + what + ": report this fault");
}

/// One segment of the head of a stream: its marker, and all its bytes with marker and length.
struct Segment {
    int marker = 0;
    std::span<const uint8_t> bytes;
};

/// Walks the segments from SOI to the first scan. The last one is SOS and holds the rest of the
/// stream, which must end with EOI.
class SegmentWalk {
  public:
    explicit SegmentWalk(std::span<const uint8_t> jpeg) : jpeg_(jpeg) {
        if (jpeg.size() < 4 || jpeg[0] != 0xFF || jpeg[1] != kSoi ||
            jpeg[jpeg.size() - 2] != 0xFF || jpeg[jpeg.size() - 1] != kEoi) {
            fail("is no JPEG stream");
        }
    }

    Segment next() {
        // Fill bytes may stand before a marker.
        while (at_ + 1 < jpeg_.size() && jpeg_[at_] == 0xFF && jpeg_[at_ + 1] == 0xFF) ++at_;
        if (jpeg_.size() - at_ < 4 || jpeg_[at_] != 0xFF) fail("has a damaged header");
        const int marker = jpeg_[at_ + 1];
        const size_t length = jpeg_[at_ + 2] * size_t{256} + jpeg_[at_ + 3];
        const bool bare = marker == 0 || marker == 1 || (marker >= 0xD0 && marker <= kEoi);
        if (bare || length < 2 || length + 2 > jpeg_.size() - at_) fail("has a damaged header");
        const size_t start = at_;
        at_ = marker == kSos ? jpeg_.size() : at_ + 2 + length;
        return {marker, jpeg_.subspan(start, at_ - start)};
    }

  private:
    std::span<const uint8_t> jpeg_;
    size_t at_ = 2;
};

bool is_table(int marker) { return marker == kDqt || marker == kDht; }

void append(std::vector<uint8_t>& out, std::span<const uint8_t> bytes) {
    out.insert(out.end(), bytes.begin(), bytes.end());
}

}  // namespace

JpegEncoder::JpegEncoder(int quality, JpegChroma chroma) : quality_(quality), chroma_(chroma) {
    if (quality < 1 || quality > 100) {
        throw Error(ErrorCode::internal,
                    "JPEG quality " + std::to_string(quality) + " is outside 1..100");
    }
    handle_ = tjInitCompress();
    if (handle_ == nullptr) throw Error(ErrorCode::internal, "the JPEG encoder cannot start");
}

JpegEncoder::~JpegEncoder() {
    tjFree(buffer_);
    tjDestroy(handle_);
}

std::span<const uint8_t> JpegEncoder::encode(const uint8_t* rgbx, int64_t width, int64_t height,
                                             std::ptrdiff_t stride_bytes) {
    constexpr int64_t kMaxSide = 65500;
    if (width < 1 || height < 1 || width > kMaxSide || height > kMaxSide ||
        stride_bytes < width * 4 || stride_bytes > INT32_MAX) {
        throw Error(ErrorCode::internal, "a JPEG tile of " + std::to_string(width) + "x" +
                                             std::to_string(height) + " pixels is impossible");
    }
    const int subsampling = chroma_ == JpegChroma::c420 ? TJSAMP_420 : TJSAMP_444;
    const int w = static_cast<int>(width), h = static_cast<int>(height);
    const unsigned long most = tjBufSize(w, h, subsampling);
    if (most > capacity_) {
        tjFree(buffer_);
        capacity_ = 0;
        buffer_ = tjAlloc(static_cast<int>(most));
        if (buffer_ == nullptr) {
            throw Error(ErrorCode::machine, "no memory for a JPEG tile: free memory");
        }
        capacity_ = most;
    }
    unsigned long bytes = capacity_;
    // Without the flag TurboJPEG 2.1 takes the fast, less accurate forward DCT below quality 96
    // (and the accurate one from 96 on): with it every quality uses the accurate integer DCT, whose
    // results are the same for every instruction set.
    if (tjCompress2(handle_, rgbx, w, static_cast<int>(stride_bytes), h, TJPF_RGBX, &buffer_,
                    &bytes, subsampling, quality_, TJFLAG_NOREALLOC | TJFLAG_ACCURATEDCT) != 0) {
        throw Error(ErrorCode::internal,
                    std::string("a JPEG tile cannot be encoded: ") + tjGetErrorStr2(handle_));
    }
    return {buffer_, bytes};
}

JpegTileDecoder::JpegTileDecoder() : handle_(tjInitDecompress()) {
    if (handle_ == nullptr) throw Error(ErrorCode::machine, "no memory for a JPEG tile: free some");
}

JpegTileDecoder::~JpegTileDecoder() { tjDestroy(handle_); }

std::string JpegTileDecoder::decode(std::span<const uint8_t> jpeg, int64_t width, int64_t height,
                                    std::vector<uint8_t>& rgbx) {
    int w = 0;
    int h = 0;
    int subsampling = 0;
    int colours = 0;
    if (tjDecompressHeader3(handle_, jpeg.data(), jpeg.size(), &w, &h, &subsampling, &colours) != 0)
        return "is no JPEG";
    if (w != width || h != height) {
        return "is " + std::to_string(w) + " x " + std::to_string(h) + " pixels, not " +
               std::to_string(width) + " x " + std::to_string(height);
    }
    rgbx.resize(static_cast<size_t>(width * height * 4));
    if (tjDecompress2(handle_, jpeg.data(), jpeg.size(), rgbx.data(), w, w * 4, h, TJPF_RGBX,
                      TJFLAG_ACCURATEDCT | TJFLAG_STOPONWARNING | TJFLAG_LIMITSCANS) != 0) {
        return std::string("does not decode (") + tjGetErrorStr2(handle_) + ")";
    }
    return {};
}

std::optional<std::pair<int64_t, int64_t>> jpeg_size(std::span<const uint8_t> head) {
    // ITU-T T.81, B.1.1: marker segments; B.2.2: the frame header's precision, lines and samples.
    if (head.size() < 4 || head[0] != 0xFF || head[1] != kSoi) return std::nullopt;
    for (size_t at = 2; at + 9 <= head.size() && head[at] == 0xFF;) {
        const int marker = head[at + 1];
        if (marker == kSos) break;
        const bool frame =
            marker >= 0xC0 && marker <= 0xCF && marker != kDht && marker != 0xC8 && marker != 0xCC;
        const auto word = [&](size_t i) { return head[at + i] * int64_t{256} + head[at + i + 1]; };
        if (frame) return std::pair{word(7), word(5)};
        at += 2 + static_cast<size_t>(word(2));
    }
    return std::nullopt;
}

JpegSteps jpeg_mean_steps(std::span<const uint8_t> jpeg) {
    SegmentWalk walk(jpeg);
    JpegSteps steps;
    for (;;) {
        const Segment segment = walk.next();
        if (segment.marker == kSos) return steps;
        if (segment.marker != kDqt) continue;
        // ITU-T T.81, B.2.4.1: precision and number of a table, then 64 steps, the mean's first.
        for (size_t at = 4; at + 65 <= segment.bytes.size();) {
            const bool wide = segment.bytes[at] >> 4 != 0;
            const int step =
                wide ? segment.bytes[at + 1] * 256 + segment.bytes[at + 2] : segment.bytes[at + 1];
            ((segment.bytes[at] & 15) == 0 ? steps.luma : steps.chroma) = step;
            at += wide ? 129 : 65;
        }
    }
}

std::vector<uint8_t> jpeg_tables(std::span<const uint8_t> jpeg) {
    SegmentWalk walk(jpeg);
    std::vector<uint8_t> out{0xFF, kSoi};
    for (;;) {
        const Segment segment = walk.next();
        if (segment.marker == kSos) break;
        if (is_table(segment.marker)) append(out, segment.bytes);
    }
    out.push_back(0xFF);
    out.push_back(kEoi);
    return out;
}

void jpeg_abbreviated(std::span<const uint8_t> jpeg, std::vector<uint8_t>& out) {
    SegmentWalk walk(jpeg);
    out.clear();
    out.push_back(0xFF);
    out.push_back(kSoi);
    for (;;) {
        const Segment segment = walk.next();
        const bool application =
            (segment.marker >= 0xE0 && segment.marker <= 0xEF) || segment.marker == kCom;
        if (!is_table(segment.marker) && !application) append(out, segment.bytes);
        if (segment.marker == kSos) return;
    }
}

}  // namespace broadloom
