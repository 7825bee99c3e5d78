// Reduced upright frames against box averages of the whole picture, which is turned upright here,
// pixel by pixel, by what EXIF says of each orientation.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

#include "match/reduced_frame.hpp"
#include "support/frame_files.hpp"

using namespace broadloom;
namespace bt = broadloom::test;
using Catch::Matchers::WithinAbs;

namespace {

/// Sides that leave rests of 1, 3, 3 and 1, 1, 5 at denominators 2, 4, 8.
constexpr int kWidth = 107;
constexpr int kHeight = 93;

/// Levels of 0..255 as doubles, `bands` a pixel.
struct Plain {
    int width = 0, height = 0, bands = 0;
    std::vector<double> levels;
    [[nodiscard]] double at(int x, int y, int band) const {
        return levels[static_cast<size_t>((y * width + x) * bands + std::min(band, bands - 1))];
    }
};

template <typename T>
Plain plain(const bt::Picture<T>& p) {
    Plain out{p.width, p.height, p.bands, {}};
    for (const T sample : p.samples) out.levels.push_back(sample / (sizeof(T) == 1 ? 1.0 : 257.0));
    return out;
}

/// EXIF 2.3, 4.6.4, tag 274: where the 0th row and the 0th column of what is stored are seen.
Plain upright(const Plain& stored, int orientation) {
    const int w = stored.width;
    const int h = stored.height;
    const bool turned = orientation >= 5;
    Plain out{turned ? h : w, turned ? w : h, stored.bands, {}};
    for (int y = 0; y < out.height; ++y) {
        for (int x = 0; x < out.width; ++x) {
            int column = x;
            int row = y;
            switch (orientation) {
                case 2:
                    column = w - 1 - x;
                    break;  // 0th row top, 0th column right
                case 3:
                    column = w - 1 - x;
                    row = h - 1 - y;
                    break;  // bottom, right
                case 4:
                    row = h - 1 - y;
                    break;  // bottom, left
                case 5:
                    column = y;
                    row = x;
                    break;  // left, top
                case 6:
                    column = y;
                    row = h - 1 - x;
                    break;  // right, top
                case 7:
                    column = w - 1 - y;
                    row = h - 1 - x;
                    break;  // right, bottom
                case 8:
                    column = w - 1 - y;
                    row = x;
                    break;  // left, bottom
                default:
                    break;
            }
            for (int b = 0; b < stored.bands; ++b) out.levels.push_back(stored.at(column, row, b));
        }
    }
    return out;
}

double box(const Plain& p, int64_t left, int64_t top, int d, int band) {
    double sum = 0;
    for (int j = 0; j < d; ++j) {
        for (int i = 0; i < d; ++i) {
            sum += p.at(static_cast<int>(left) + i, static_cast<int>(top) + j, band);
        }
    }
    return sum / (d * d);
}

/// ITU-R BT.601, as JFIF 1.02 has it.
double luma_box(const Plain& p, int64_t left, int64_t top, int d) {
    if (p.bands == 1) return box(p, left, top, d, 0);
    return 0.299 * box(p, left, top, d, 0) + 0.587 * box(p, left, top, d, 1) +
           0.114 * box(p, left, top, d, 2);
}

struct Miss {
    double rms = 0, worst = 0;  ///< levels
};

/// `offset` in place of the image's own.
Miss grey_miss(const Plain& whole, const GreyImage& g, int64_t offset_x, int64_t offset_y) {
    Miss m;
    for (int64_t y = 0; y < g.height; ++y) {
        for (int64_t x = 0; x < g.width; ++x) {
            const int d = g.denominator;
            const double e =
                std::abs(g.at(x, y) - luma_box(whole, x * d + offset_x, y * d + offset_y, d));
            m.rms += e * e;
            m.worst = std::max(m.worst, e);
        }
    }
    m.rms = std::sqrt(m.rms / static_cast<double>(g.width * g.height));
    return m;
}

Miss colour_miss(const Plain& whole, const ColourImage& c) {
    Miss m;
    for (int64_t y = 0; y < c.height; ++y) {
        for (int64_t x = 0; x < c.width; ++x) {
            for (int band = 0; band < 3; ++band) {
                const int d = c.denominator;
                const double e =
                    std::abs(c.at(x, y)[band] / 257.0 -
                             box(whole, x * d + c.offset_x, y * d + c.offset_y, d, band));
                m.rms += e * e;
                m.worst = std::max(m.worst, e);
            }
        }
    }
    m.rms = std::sqrt(m.rms / static_cast<double>(3 * c.width * c.height));
    return m;
}

struct Tolerance {
    double grey = 0, colour = 0;                  ///< levels, of the worst pixel
    double reduced_grey = 0, reduced_colour = 0;  ///< the same at denominators above 1
};

/// `stored` is the whole decode, without any turning.
void check(const std::filesystem::path& file, const Plain& stored, const Tolerance& tolerance) {
    const FrameInfo info = probe_frame(file, "frame");
    REQUIRE(info.stored_width == stored.width);
    REQUIRE(info.stored_height == stored.height);
    FramePixels scratch;
    for (int orientation = 1; orientation <= 8; ++orientation) {
        const Plain whole = upright(stored, orientation);
        for (const int d : {1, 2, 4, 8}) {
            CAPTURE(file.filename().string(), orientation, d);
            GreyImage grey;
            ColourImage colour;
            read_both(file, "frame", info, orientation, d, scratch, grey, colour);
            REQUIRE(grey.denominator == d);
            REQUIRE(grey.width == whole.width / d);
            REQUIRE(grey.height == whole.height / d);
            REQUIRE(colour.width == grey.width);
            REQUIRE(colour.height == grey.height);
            REQUIRE(colour.pixels.size() == 3 * grey.pixels.size());
            const int64_t rest_x = whole.width % d;
            const int64_t rest_y = whole.height % d;
            REQUIRE(grey.offset_x <= rest_x);
            REQUIRE(grey.offset_y <= rest_y);
            REQUIRE(colour.offset_x == grey.offset_x);
            REQUIRE(colour.offset_y == grey.offset_y);

            const Miss of_grey = grey_miss(whole, grey, grey.offset_x, grey.offset_y);
            const Miss of_colour = colour_miss(whole, colour);
            UNSCOPED_INFO("worst grey " << of_grey.worst << ", colour " << of_colour.worst
                                        << ", RMS " << of_colour.rms);
            CHECK(of_grey.worst <= (d == 1 ? tolerance.grey : tolerance.reduced_grey));
            CHECK(of_colour.worst <= (d == 1 ? tolerance.colour : tolerance.reduced_colour));

            // Of all places where the blocks could begin the stated one is the best by far.
            for (int64_t oy = 0; oy <= rest_y; ++oy) {
                for (int64_t ox = 0; ox <= rest_x; ++ox) {
                    if (ox == grey.offset_x && oy == grey.offset_y) continue;
                    CAPTURE(ox, oy);
                    CHECK(grey_miss(whole, grey, ox, oy).rms > 2 * of_grey.rms + 0.5);
                }
            }
            // The control: turned in any other way of the same shape, nothing fits.
            for (int other = 1; other <= 8; ++other) {
                if (other == orientation || (other >= 5) != (orientation >= 5)) continue;
                CAPTURE(other);
                CHECK(grey_miss(upright(stored, other), grey, grey.offset_x, grey.offset_y).rms >
                      15);
            }
        }
    }
}

/// Waves of 60 pixels and more, `stretch` times as long, that no turn or mirror maps onto
/// themselves.
template <typename T>
bt::Picture<T> waves(int bands, double stretch = 1) {
    bt::Picture<T> p{kWidth, kHeight, bands, {}};
    const double most = sizeof(T) == 1 ? 255 : 65535;
    for (int y = 0; y < kHeight; ++y) {
        for (int x = 0; x < kWidth; ++x) {
            for (int b = 0; b < bands; ++b) {
                const double u = x / stretch;
                const double w = y / stretch;
                const double v = 0.5 + 0.25 * std::sin(0.1 * u + 0.03 * w + 0.6 * b) +
                                 0.2 * std::cos(0.02 * u - 0.07 * w + 0.4);
                p.samples.push_back(static_cast<T>(std::lround(v * most)));
            }
        }
    }
    return p;
}

}  // namespace

TEST_CASE("PNG frames of 8 and 16 bits, colour and grey, are box averages of the upright picture",
          "[match_frames]") {
    start_frame_library();
    const bt::Folder folder;
    // Averages are rounded to the depth of the file, grey values to whole levels after that. From
    // 8 bits: half a level, and half a level more; from 16: a 514th, and half a level more.
    const Tolerance of_8{0.51, 0.001, 1.01, 0.51};
    const Tolerance of_16{0.51, 0.001, 0.51, 1.01 / 257};
    const auto rgb = waves<uint8_t>(3);
    bt::save_vips(bt::to_vips(rgb, VIPS_INTERPRETATION_sRGB), folder / "rgb.png");
    check(folder / "rgb.png", plain(rgb), of_8);
    const auto grey = waves<uint8_t>(1);
    bt::save_vips(bt::to_vips(grey, VIPS_INTERPRETATION_B_W), folder / "grey.png");
    check(folder / "grey.png", plain(grey), of_8);
    const auto deep = waves<uint16_t>(3);
    bt::save_vips(bt::to_vips(deep, VIPS_INTERPRETATION_RGB16), folder / "deep.png");
    check(folder / "deep.png", plain(deep), of_16);
    const auto deep_grey = waves<uint16_t>(1);
    bt::save_vips(bt::to_vips(deep_grey, VIPS_INTERPRETATION_GREY16), folder / "deep_grey.png");
    check(folder / "deep_grey.png", plain(deep_grey), of_16);
}

TEST_CASE("JPEG frames are box averages of libjpeg's whole decode, turned upright",
          "[match_frames]") {
    start_frame_library();
    const bt::Folder folder;
    // libjpeg rounds to whole levels before the averages, and the scaled inverse transforms leave
    // out high frequencies: on waves of this length quantisation noise of a level or two.
    const Tolerance whole_chroma{1.01, 1.51, 1.51, 2.5};
    // Subsampled chroma has a sample every 16 pixels at denominator 8, straight lines between them
    // and nothing beyond the outermost, where a wave goes on by several levels.
    const Tolerance subsampled{1.01, 4, 1.51, 12};
    bt::JpegOptions options;
    options.quality = 97;
    const auto try_one = [&](const std::string& name, const bt::Picture<uint8_t>& picture,
                             const Tolerance& tolerance) {
        const bt::Bytes bytes = bt::write_jpeg(picture, options);
        bt::write_bytes(folder / name, bytes);
        check(folder / name, plain(bt::read_jpeg(bytes)), tolerance);
    };
    try_one("444.jpg", waves<uint8_t>(3), whole_chroma);
    options.factors = {{2, 2}, {1, 1}, {1, 1}};
    try_one("420.jpg", waves<uint8_t>(3, 2), subsampled);
    options.factors = {};
    options.stored = JCS_GRAYSCALE;
    try_one("grey.jpg", waves<uint8_t>(1), whole_chroma);
}

TEST_CASE("a piece of the full-size frame is that piece of the upright picture", "[match_frames]") {
    start_frame_library();
    const bt::Folder folder;
    const auto rgb = waves<uint8_t>(3);
    bt::save_vips(bt::to_vips(rgb, VIPS_INTERPRETATION_sRGB), folder / "rgb.png");
    const FrameInfo info = probe_frame(folder / "rgb.png", "frame");
    FramePixels scratch;
    for (int orientation = 1; orientation <= 8; ++orientation) {
        CAPTURE(orientation);
        const ColourImage piece = read_colour_piece(folder / "rgb.png", "frame", info, orientation,
                                                    13, 29, 37, 41, scratch);
        REQUIRE(piece.width == 37);
        REQUIRE(piece.height == 41);
        CHECK(piece.offset_x == 13);
        CHECK(piece.offset_y == 29);
        const Plain whole = upright(plain(rgb), orientation);
        CHECK(colour_miss(whole, piece).worst < 0.001);
        ColourImage shifted = piece;  // the control
        ++shifted.offset_x;
        CHECK(colour_miss(whole, shifted).worst > 1);
    }
}

TEST_CASE("both coordinates' centres survive the way to the full frame", "[match_frames]") {
    start_frame_library();
    const bt::Folder folder;
    // A bright spot two pixels wide in the dark; its centre of mass must come back to its place.
    bt::Picture<uint8_t> p{kWidth, kHeight, 1, {}};
    p.samples.assign(static_cast<size_t>(kWidth) * kHeight, 20);
    const auto light = [&](int x, int y) { p.samples[static_cast<size_t>(y * kWidth + x)] = 250; };
    for (const int x : {40, 41, 42, 43}) {
        for (const int y : {56, 57, 58, 59}) light(x, y);
    }
    bt::save_vips(bt::to_vips(p, VIPS_INTERPRETATION_B_W), folder / "spot.png");
    const FrameInfo info = probe_frame(folder / "spot.png", "spot");
    FramePixels scratch;
    for (int orientation = 1; orientation <= 8; ++orientation) {
        const Plain whole = upright(plain(p), orientation);
        Vec2 wanted;
        for (int y = 0; y < whole.height; ++y) {
            for (int x = 0; x < whole.width; ++x) {
                if (whole.at(x, y, 0) < 100) continue;
                wanted.x += (x + 0.5) / 16;
                wanted.y += (y + 0.5) / 16;
            }
        }
        for (const int d : {1, 2, 4}) {
            CAPTURE(orientation, d);
            const GreyImage g =
                read_grey(folder / "spot.png", "spot", info, orientation, d, scratch);
            Vec2 centre;
            double sum = 0;
            for (int64_t y = 0; y < g.height; ++y) {
                for (int64_t x = 0; x < g.width; ++x) {
                    const double v = g.at(x, y) - 20.0;
                    centre.x += v * (static_cast<double>(x) + 0.5);
                    centre.y += v * (static_cast<double>(y) + 0.5);
                    sum += v;
                }
            }
            REQUIRE(sum > 0);
            const Vec2 full = g.to_full({centre.x / sum, centre.y / sum});
            // Averages of few levels are exact here to a rounding of half a level in 230.
            CHECK_THAT(full.x, WithinAbs(wanted.x, 0.02));
            CHECK_THAT(full.y, WithinAbs(wanted.y, 0.02));
            const Vec2 back = g.from_full(full);
            CHECK_THAT(back.x, WithinAbs(centre.x / sum, 1e-12));
            CHECK_THAT(back.y, WithinAbs(centre.y / sum, 1e-12));
        }
    }
}
