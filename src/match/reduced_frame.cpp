#include "match/reduced_frame.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>

namespace broadloom {

namespace {

/// Stored sample indices of the upright pixel (x, y): s = start + x * by_x + y * by_y.
struct Axis {
    int64_t start = 0, by_x = 0, by_y = 0;
    [[nodiscard]] int64_t at(int64_t x, int64_t y) const { return start + x * by_x + y * by_y; }
};

/// How an upright reduced frame lies in the stored planes.
struct Turn {
    int64_t width = 0, height = 0;  // upright, reduced
    int64_t offset_x = 0, offset_y = 0;
    Axis column, row;
};

/// Whole blocks of a side; a side shorter than one block keeps its part of a block.
int64_t whole_blocks(int64_t side, int denominator) {
    return std::max<int64_t>(1, side / denominator);
}

/// EXIF 2.3, tag 274: what the stored picture's first row and column are.
Turn turn_for(const FrameInfo& info, int orientation, int denominator) {
    const int64_t columns = whole_blocks(info.stored_width, denominator);
    const int64_t rows = whole_blocks(info.stored_height, denominator);
    const int64_t rest_x = std::max<int64_t>(0, info.stored_width - columns * denominator);
    const int64_t rest_y = std::max<int64_t>(0, info.stored_height - rows * denominator);
    const bool swapped = orientation >= 5 && orientation <= 8;
    const bool columns_flip =
        orientation == 2 || orientation == 3 || orientation == 7 || orientation == 8;
    const bool rows_flip =
        orientation == 3 || orientation == 4 || orientation == 6 || orientation == 7;

    Turn t;
    const int64_t column_step = columns_flip ? -1 : 1;
    const int64_t row_step = rows_flip ? -1 : 1;
    t.column.start = columns_flip ? columns - 1 : 0;
    t.row.start = rows_flip ? rows - 1 : 0;
    if (swapped) {
        t.width = rows;
        t.height = columns;
        t.column.by_y = column_step;
        t.row.by_x = row_step;
        t.offset_x = rows_flip ? rest_y : 0;
        t.offset_y = columns_flip ? rest_x : 0;
    } else {
        t.width = columns;
        t.height = rows;
        t.column.by_x = column_step;
        t.row.by_y = row_step;
        t.offset_x = columns_flip ? rest_x : 0;
        t.offset_y = rows_flip ? rest_y : 0;
    }
    return t;
}

/// A plane's samples for reading.
template <typename Sample>
struct Samples {
    const std::byte* origin = nullptr;
    std::ptrdiff_t stride = 0;
    int64_t step_x = 1, step_y = 1;  // the plane's subsampling
    int64_t last_x = 0, last_y = 0;

    explicit Samples(const FramePlane& plane)
        : origin(plane.origin),
          stride(plane.stride),
          step_x(plane.subsample_x),
          step_y(plane.subsample_y),
          last_x(plane.width - 1),
          last_y(plane.height - 1) {}

    /// The sample over the frame's sample (column, row).
    [[nodiscard]] Sample at(int64_t column, int64_t row) const {
        const int64_t x = step_x == 1 ? column : std::min(column / step_x, last_x);
        const int64_t y = step_y == 1 ? row : std::min(row / step_y, last_y);
        return reinterpret_cast<const Sample*>(origin + y * stride)[x];
    }

    /// Between the samples of a subsampled plane, whose samples lie in the middle of what they
    /// stand for (JFIF 1.02); the plane's border stands in beyond its edges.
    [[nodiscard]] double between(int64_t column, int64_t row) const {
        if (step_x == 1 && step_y == 1) return at(column, row);
        const double u = (static_cast<double>(column) + 0.5) / static_cast<double>(step_x) - 0.5;
        const double v = (static_cast<double>(row) + 0.5) / static_cast<double>(step_y) - 0.5;
        const auto left = static_cast<int64_t>(std::floor(u));
        const auto top = static_cast<int64_t>(std::floor(v));
        const double s = u - static_cast<double>(left);
        const double t = v - static_cast<double>(top);
        const auto* upper = reinterpret_cast<const Sample*>(origin + top * stride) + left;
        const auto* lower = reinterpret_cast<const Sample*>(origin + (top + 1) * stride) + left;
        return (1 - t) * ((1 - s) * upper[0] + s * upper[1]) +
               t * ((1 - s) * lower[0] + s * lower[1]);
    }
};

/// Luma of ITU-R BT.601, the Y of JFIF; weights sum to 65536.
uint32_t luma(uint32_t r, uint32_t g, uint32_t b) {
    return (19595U * r + 38470U * g + 7471U * b + 32768U) >> 16U;
}

template <typename Sample>
uint8_t to_eight_bits(uint32_t value) {
    if constexpr (sizeof(Sample) == 1) return static_cast<uint8_t>(value);
    return static_cast<uint8_t>((value + 128) / 257);
}

template <typename Sample>
void fill_grey(const FramePixels& from, const Turn& turn, GreyImage& to) {
    const Samples<Sample> first(from.planes[0]);
    uint8_t* out = to.pixels.data();
    if (from.colour != FrameColour::rgb) {
        for (int64_t y = 0; y < turn.height; ++y) {
            for (int64_t x = 0; x < turn.width; ++x) {
                *out++ = to_eight_bits<Sample>(first.at(turn.column.at(x, y), turn.row.at(x, y)));
            }
        }
        return;
    }
    const Samples<Sample> green(from.planes[1]);
    const Samples<Sample> blue(from.planes[2]);
    for (int64_t y = 0; y < turn.height; ++y) {
        for (int64_t x = 0; x < turn.width; ++x) {
            const int64_t c = turn.column.at(x, y);
            const int64_t r = turn.row.at(x, y);
            *out++ = to_eight_bits<Sample>(luma(first.at(c, r), green.at(c, r), blue.at(c, r)));
        }
    }
}

template <typename Sample>
std::array<uint16_t, 3> colour_at(const FramePixels& from,
                                  const std::array<const Samples<Sample>*, 3>& planes, int64_t c,
                                  int64_t r) {
    constexpr double kScale = sizeof(Sample) == 1 ? 257 : 1;
    constexpr double kMiddle = sizeof(Sample) == 1 ? 128 : 32768;
    if (from.colour == FrameColour::grey) {
        const auto v = static_cast<uint16_t>(planes[0]->at(c, r) * kScale);
        return {v, v, v};
    }
    const double first = planes[0]->at(c, r);
    const double second = planes[1]->between(c, r);
    const double third = planes[2]->between(c, r);
    if (from.colour == FrameColour::rgb) {
        return {static_cast<uint16_t>(first * kScale), static_cast<uint16_t>(second * kScale),
                static_cast<uint16_t>(third * kScale)};
    }
    // JFIF 1.02: full-range BT.601.
    const auto level = [](double v) {
        return static_cast<uint16_t>(std::lround(std::clamp(v * kScale, 0.0, 65535.0)));
    };
    const double cb = second - kMiddle;
    const double cr = third - kMiddle;
    return {level(first + 1.402 * cr), level(first - 0.344136286 * cb - 0.714136286 * cr),
            level(first + 1.772 * cb)};
}

template <typename Sample>
void fill_colour(const FramePixels& from, const Turn& turn, ColourImage& to) {
    std::vector<Samples<Sample>> samples;
    for (const FramePlane& plane : from.planes) samples.emplace_back(plane);
    std::array<const Samples<Sample>*, 3> planes{};
    for (size_t i = 0; i < planes.size(); ++i) {
        planes[i] = &samples[std::min(i, samples.size() - 1)];
    }
    uint16_t* out = to.pixels.data();
    for (int64_t y = 0; y < turn.height; ++y) {
        for (int64_t x = 0; x < turn.width; ++x) {
            const auto rgb =
                colour_at<Sample>(from, planes, turn.column.at(x, y), turn.row.at(x, y));
            out = std::copy(rgb.begin(), rgb.end(), out);
        }
    }
}

template <typename Image>
void prepare(const Turn& turn, int denominator, size_t channels, Image& image) {
    image.width = turn.width;
    image.height = turn.height;
    image.denominator = denominator;
    image.offset_x = turn.offset_x;
    image.offset_y = turn.offset_y;
    image.pixels.resize(channels * static_cast<size_t>(turn.width) *
                        static_cast<size_t>(turn.height));
}

void turn_grey(const FramePixels& from, const Turn& turn, GreyImage& to) {
    prepare(turn, from.denominator, 1, to);
    from.bits == 16 ? fill_grey<uint16_t>(from, turn, to) : fill_grey<uint8_t>(from, turn, to);
}

void turn_colour(const FramePixels& from, const Turn& turn, ColourImage& to) {
    prepare(turn, from.denominator, 3, to);
    from.bits == 16 ? fill_colour<uint16_t>(from, turn, to) : fill_colour<uint8_t>(from, turn, to);
}

}  // namespace

int reduction_for(const FrameInfo& info, int64_t most_pixels) {
    for (const int denominator : {1, 2, 4}) {
        if (whole_blocks(info.stored_width, denominator) *
                whole_blocks(info.stored_height, denominator) <=
            most_pixels) {
            return denominator;
        }
    }
    return 8;
}

GreyImage read_grey(const std::filesystem::path& path, const std::string& name,
                    const FrameInfo& info, int orientation, int denominator, FramePixels& scratch) {
    decode_frame(path, name, info, denominator, scratch);
    GreyImage grey;
    turn_grey(scratch, turn_for(info, orientation, denominator), grey);
    return grey;
}

ColourImage read_colour(const std::filesystem::path& path, const std::string& name,
                        const FrameInfo& info, int orientation, int denominator,
                        FramePixels& scratch) {
    decode_frame(path, name, info, denominator, scratch);
    ColourImage colour;
    turn_colour(scratch, turn_for(info, orientation, denominator), colour);
    return colour;
}

ColourImage read_colour_piece(const std::filesystem::path& path, const std::string& name,
                              const FrameInfo& info, int orientation, int64_t x0, int64_t y0,
                              int64_t width, int64_t height, FramePixels& scratch) {
    decode_frame(path, name, info, 1, scratch);
    Turn turn = turn_for(info, orientation, 1);
    turn.column.start = turn.column.at(x0, y0);
    turn.row.start = turn.row.at(x0, y0);
    turn.width = width;
    turn.height = height;
    turn.offset_x = x0;
    turn.offset_y = y0;
    ColourImage colour;
    turn_colour(scratch, turn, colour);
    return colour;
}

void read_both(const std::filesystem::path& path, const std::string& name, const FrameInfo& info,
               int orientation, int denominator, FramePixels& scratch, GreyImage& grey,
               ColourImage& colour) {
    decode_frame(path, name, info, denominator, scratch);
    const Turn turn = turn_for(info, orientation, denominator);
    turn_grey(scratch, turn, grey);
    turn_colour(scratch, turn, colour);
}

size_t reduced_frame_bytes(const FrameInfo& info, int denominator) {
    const auto pixels = static_cast<size_t>(whole_blocks(info.stored_width, denominator)) *
                        static_cast<size_t>(whole_blocks(info.stored_height, denominator));
    constexpr size_t kGreyBytes = sizeof(uint8_t);
    constexpr size_t kColourBytes = 3 * sizeof(uint16_t);
    return frame_bytes(info, denominator) + frame_decode_bytes(info, denominator) +
           pixels * (kGreyBytes + kColourBytes);
}

}  // namespace broadloom
