#include <sys/mman.h>
#include <unistd.h>

#include <algorithm>
#include <cstring>
#include <utility>

#include "broadloom/rect.hpp"
#include "io/frame_detail.hpp"

namespace broadloom {
namespace {

// Rows start on cache lines; the last one is followed by room for a vector load that overshoots.
constexpr size_t kRowAlignment = 64;
constexpr size_t kTail = 64;

size_t rounded_up(size_t value, size_t step) { return (value + step - 1) / step * step; }

size_t page_bytes() { return static_cast<size_t>(sysconf(_SC_PAGESIZE)); }

struct Layout {
    std::vector<FramePlane> planes;  ///< origin unset
    std::vector<size_t> offsets;     ///< of sample (0, 0)
    size_t bytes = 0;                ///< whole pages
};

Layout layout_of(const FrameInfo& info, int denominator) {
    Layout layout;
    const size_t sample = info.bits > 8 ? 2 : 1;
    const int64_t width = ceil_div(info.stored_width, denominator);
    const int64_t height = ceil_div(info.stored_height, denominator);
    const int count = info.colour == FrameColour::grey ? 1 : 3;
    size_t at = 0;
    for (int i = 0; i < count; ++i) {
        FramePlane plane;
        if (i > 0 && info.colour == FrameColour::ycc) {
            plane.subsample_x = info.subsample_x;
            plane.subsample_y = info.subsample_y;
        }
        plane.width = ceil_div(width, plane.subsample_x);
        plane.height = ceil_div(height, plane.subsample_y);
        const size_t stride =
            rounded_up(static_cast<size_t>(plane.width + 2 * kPlanePad) * sample, kRowAlignment);
        plane.stride = static_cast<std::ptrdiff_t>(stride);
        layout.offsets.push_back(at + kPlanePad * stride + kPlanePad * sample);
        at += stride * static_cast<size_t>(plane.height + 2 * kPlanePad);
        layout.planes.push_back(plane);
    }
    layout.bytes = rounded_up(at + kTail, page_bytes());
    return layout;
}

/// `most`: 8 for what is decoded, 16 for what is reduced further.
void check_denominator(int denominator, int most) {
    const bool power = denominator > 0 && (denominator & (denominator - 1)) == 0;
    if (!power || denominator > most) {
        throw Error(
            ErrorCode::internal,
            "a frame is decoded at 1, 1/2, 1/4 or 1/8 and held at 1/16 at least, not at 1/" +
                std::to_string(denominator));
    }
}

template <typename T>
void replicate_plane(const FramePlane& plane) {
    const auto row = [&](int64_t y) {
        return reinterpret_cast<T*>(plane.origin + y * plane.stride);
    };
    for (int64_t y = 0; y < plane.height; ++y) {
        T* r = row(y);
        std::fill(r - kPlanePad, r, r[0]);
        std::fill(r + plane.width, r + plane.width + kPlanePad, r[plane.width - 1]);
    }
    const size_t bytes = static_cast<size_t>(plane.width + 2 * kPlanePad) * sizeof(T);
    for (int64_t i = 1; i <= kPlanePad; ++i) {
        std::memcpy(row(-i) - kPlanePad, row(0) - kPlanePad, bytes);
        std::memcpy(row(plane.height - 1 + i) - kPlanePad, row(plane.height - 1) - kPlanePad,
                    bytes);
    }
}

}  // namespace

FramePixels::FramePixels(FramePixels&& other) noexcept { *this = std::move(other); }

FramePixels& FramePixels::operator=(FramePixels&& other) noexcept {
    if (this == &other) return *this;
    release();
    colour = other.colour;
    bits = other.bits;
    width = std::exchange(other.width, 0);
    height = std::exchange(other.height, 0);
    denominator = other.denominator;
    planes = std::move(other.planes);
    other.planes.clear();
    memory_ = std::exchange(other.memory_, nullptr);
    bytes_ = std::exchange(other.bytes_, 0);
    return *this;
}

FramePixels::~FramePixels() { release(); }

void FramePixels::release() {
    if (memory_ != nullptr) munmap(memory_, bytes_);
    memory_ = nullptr;
    bytes_ = 0;
    width = height = 0;
    planes.clear();
}

void FramePixels::allocate(const FrameInfo& info, int held_denominator) {
    check_denominator(held_denominator, 16);
    Layout layout = layout_of(info, held_denominator);
    if (layout.bytes > bytes_) {
        // The old mapping goes first, so that both never count at once.
        release();
        void* fresh = mmap(nullptr, layout.bytes, PROT_READ | PROT_WRITE,
                           MAP_PRIVATE | MAP_ANONYMOUS | MAP_POPULATE, -1, 0);
        if (fresh == MAP_FAILED) {
            throw Error(ErrorCode::machine, "no memory for a frame of " +
                                                std::to_string(info.stored_width) + "x" +
                                                std::to_string(info.stored_height) + " pixels (" +
                                                std::to_string(layout.bytes) +
                                                " bytes): free memory or use a smaller frame");
        }
        memory_ = static_cast<std::byte*>(fresh);
        bytes_ = layout.bytes;
    }
    colour = info.colour;
    bits = info.bits;
    denominator = held_denominator;
    width = layout.planes[0].width;
    height = layout.planes[0].height;
    planes = std::move(layout.planes);
    for (size_t i = 0; i < planes.size(); ++i) planes[i].origin = memory_ + layout.offsets[i];
}

size_t frame_bytes(const FrameInfo& info, int denominator) {
    check_denominator(denominator, 16);
    return layout_of(info, denominator).bytes;
}

void frame_detail::check_decode_denominator(int denominator) { check_denominator(denominator, 8); }

size_t frame_decode_bytes(const FrameInfo& info, int denominator) {
    check_denominator(denominator, 8);
    const auto width = static_cast<size_t>(info.stored_width);
    const auto height = static_cast<size_t>(info.stored_height);
    const auto file = static_cast<size_t>(info.file_bytes);
    if (info.jpeg) {
        // The compressed file in whole pages, the codec's state, and two rows of blocks of every
        // plane (at most 4 blocks high).
        size_t bytes = rounded_up(file, page_bytes()) + (size_t{1} << 20) + width * 3 * 64;
        // A picture one block wide is decoded whole at every scale.
        if (width <= 8) bytes += height * 3 * 64;
        if (info.progressive) {
            // Coefficients of 2 bytes, every plane rounded up to whole blocks of the coarsest grid.
            const size_t planes = info.colour == FrameColour::grey ? 1 : 3;
            for (size_t i = 0; i < planes; ++i) {
                const bool chroma = i > 0 && info.colour == FrameColour::ycc;
                const size_t sx = chroma ? static_cast<size_t>(info.subsample_x) : 1;
                const size_t sy = chroma ? static_cast<size_t>(info.subsample_y) : 1;
                const size_t columns = (width + sx * 8 - 1) / (sx * 8) + 4;
                const size_t rows = (height + sy * 8 - 1) / (sy * 8) + 4;
                // Beside the blocks stands a pointer for each of their rows.
                bytes += columns * rows * 64 * 2 + rows * sizeof(void*);
            }
        }
        return bytes;
    }
    // What the file's layout makes the decoder hold, libvips' rows between its operations (up to
    // 520 were seen), our block sums, and small change.
    const auto pixel = static_cast<size_t>(frame_detail::pixel_bytes(info));
    const size_t rows = std::min<size_t>(height, 640);
    return static_cast<size_t>(info.held_bytes) + (size_t{4} << 20) + width * (pixel * rows + 64);
}

namespace frame_detail {

void replicate_borders(FramePixels& pixels) {
    for (const FramePlane& plane : pixels.planes) {
        if (pixels.bits > 8) {
            replicate_plane<uint16_t>(plane);
        } else {
            replicate_plane<uint8_t>(plane);
        }
    }
}

}  // namespace frame_detail
}  // namespace broadloom
