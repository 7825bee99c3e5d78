#include "blend/label_grid.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <string>
#include <string_view>

#include "base/hash.hpp"
#include "broadloom/error.hpp"

// The packed form, little-endian: magic, version, surface, wraps (a byte each); left_deg, top_deg,
// pixels_per_degree (IEEE doubles); width, height (8 bytes each); for each row, runs of a length
// and a label + 1 (both LEB128) until the row is full; FNV-1a of all that, 8 bytes.

namespace broadloom {

namespace {

constexpr uint8_t kMagic[4] = {'L', 'G', 'r', 'd'};
constexpr uint8_t kVersion = 1;
constexpr size_t kHashBytes = 8;
constexpr size_t kHeadBytes = 4 + 3 + 5 * 8;

[[noreturn]] void refuse(const std::string& what) {
    throw Error(ErrorCode::input, "stored seam labels: " + what +
                                      "; leave them out and let the seams be found again");
}

void put_word(std::vector<uint8_t>& out, uint64_t value) {
    for (int i = 0; i < 8; ++i) out.push_back(static_cast<uint8_t>(value >> (8 * i)));
}

void put_number(std::vector<uint8_t>& out, uint64_t value) {
    for (; value >= 0x80; value >>= 7) out.push_back(static_cast<uint8_t>(value | 0x80));
    out.push_back(static_cast<uint8_t>(value));
}

uint64_t hash_of(std::span<const uint8_t> bytes) {
    return hash_bytes({reinterpret_cast<const char*>(bytes.data()), bytes.size()});
}

class Reader {
  public:
    explicit Reader(std::span<const uint8_t> bytes) : bytes_(bytes) {}

    uint8_t byte() {
        if (at_ == bytes_.size()) refuse("they end too early");
        return bytes_[at_++];
    }
    uint64_t word() {
        uint64_t value = 0;
        for (int i = 0; i < 8; ++i) value |= uint64_t{byte()} << (8 * i);
        return value;
    }
    double real() {
        const auto value = std::bit_cast<double>(word());
        if (!std::isfinite(value)) refuse("a number is not finite");
        return value;
    }
    /// At most `largest`, which is below 2^32; only the shortest form passes.
    uint64_t number(uint64_t largest) {
        uint64_t value = 0;
        for (int shift = 0;; shift += 7) {
            const uint8_t b = byte();
            value |= uint64_t{b & 0x7FU} << shift;
            if (b < 0x80) {
                if (b == 0 && shift > 0) refuse("a number is not in its shortest form");
                break;
            }
            if (shift >= 28) refuse("a number is too large");
        }
        if (value > largest) refuse("a number is too large");
        return value;
    }
    [[nodiscard]] bool ended() const { return at_ == bytes_.size(); }

  private:
    std::span<const uint8_t> bytes_;
    size_t at_ = 0;
};

}  // namespace

LabelGrid::LabelGrid(const Canvas& canvas)
    : surface(canvas.surface),
      left_deg(canvas.left_deg),
      top_deg(canvas.top_deg),
      pixels_per_degree(canvas.pixels_per_degree),
      width(canvas.width),
      height(canvas.height),
      wraps(canvas.wraps),
      frame(static_cast<size_t>(canvas.width) * static_cast<size_t>(canvas.height), kNobody) {}

std::vector<uint8_t> LabelGrid::pack() const {
    std::vector<uint8_t> out(std::begin(kMagic), std::end(kMagic));
    out.push_back(kVersion);
    out.push_back(surface == Surface::cylinder ? 1 : 0);
    out.push_back(wraps ? 1 : 0);
    for (const double v : {left_deg, top_deg, pixels_per_degree}) {
        put_word(out, std::bit_cast<uint64_t>(v));
    }
    put_word(out, static_cast<uint64_t>(width));
    put_word(out, static_cast<uint64_t>(height));
    for (int64_t y = 0; y < height; ++y) {
        const int16_t* row = frame.data() + index(0, y);
        for (int64_t x = 0; x < width;) {
            int64_t end = x + 1;
            while (end < width && row[end] == row[x]) ++end;
            put_number(out, static_cast<uint64_t>(end - x));
            put_number(out, static_cast<uint64_t>(row[x] + 1));
            x = end;
        }
    }
    put_word(out, hash_of(out));
    return out;
}

LabelGrid LabelGrid::unpack(std::span<const uint8_t> bytes, int64_t max_pixels) {
    if (bytes.size() < kHeadBytes + kHashBytes) refuse("they are too short");
    const auto body = bytes.first(bytes.size() - kHashBytes);
    if (Reader(bytes.last(kHashBytes)).word() != hash_of(body)) refuse("their checksum is wrong");
    Reader in(body);
    for (const uint8_t m : kMagic) {
        if (in.byte() != m) refuse("they are something else");
    }
    if (in.byte() != kVersion) refuse("they are of another version");
    LabelGrid grid;
    const uint8_t surface = in.byte();
    const uint8_t wraps = in.byte();
    if (surface > 1 || wraps > 1) refuse("their canvas is of no known kind");
    grid.surface = surface == 1 ? Surface::cylinder : Surface::sphere;
    grid.wraps = wraps == 1;
    grid.left_deg = in.real();
    grid.top_deg = in.real();
    grid.pixels_per_degree = in.real();
    if (!(grid.pixels_per_degree > 0)) refuse("their scale is not above 0");
    const uint64_t width = in.word();
    const uint64_t height = in.word();
    const auto largest = static_cast<uint64_t>(kMaxCanvasSide);
    if (width < 1 || height < 1 || width > largest || height > largest ||
        width * height > static_cast<uint64_t>(std::max<int64_t>(max_pixels, 0))) {
        refuse("their canvas has another size than the scene's");
    }
    grid.width = static_cast<int64_t>(width);
    grid.height = static_cast<int64_t>(height);
    grid.frame.reserve(width * height);
    for (uint64_t y = 0; y < height; ++y) {
        uint64_t before = kMaxLabelledFrames + 1;
        for (uint64_t x = 0; x < width;) {
            const uint64_t run = in.number(width - x);
            if (run == 0) refuse("a run is empty");
            const uint64_t label = in.number(kMaxLabelledFrames);
            if (label == before) refuse("a run is cut in two");
            before = label;
            grid.frame.insert(grid.frame.end(), run, static_cast<int16_t>(label - 1));
            x += run;
        }
    }
    if (!in.ended()) refuse("something follows the last row");
    return grid;
}

}  // namespace broadloom
