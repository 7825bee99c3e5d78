// Reduced upright frames against libvips: its autorot turns the whole picture, whose blocks are
// then averaged here.
#include "match/reduced_frame.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <map>

#include "support/frame_files.hpp"

using namespace broadloom;
namespace bt = broadloom::test;

namespace {

/// The picture turned upright by libvips' autorot.
template <typename T>
bt::Picture<T> upright(const bt::Picture<T>& stored, int orientation) {
    VipsImage* image =
        bt::to_vips(stored, sizeof(T) == 1 ? VIPS_INTERPRETATION_sRGB : VIPS_INTERPRETATION_RGB16);
    vips_image_set_int(image, VIPS_META_ORIENTATION, orientation);
    VipsImage* turned = nullptr;
    REQUIRE(vips_autorot(image, &turned, nullptr) == 0);
    bt::Picture<T> out{turned->Xsize, turned->Ysize, stored.bands, {}};
    size_t bytes = 0;
    void* memory = vips_image_write_to_memory(turned, &bytes);
    const T* samples = static_cast<const T*>(memory);
    out.samples.assign(samples, samples + bytes / sizeof(T));
    g_free(memory);
    g_object_unref(turned);
    g_object_unref(image);
    return out;
}

/// Mean of the upright picture over the reduced pixel (x, y), levels of 0..255.
template <typename T>
double block_mean(const bt::Picture<T>& p, int64_t x, int64_t y, int d, int64_t offset_x,
                  int64_t offset_y, int band) {
    double sum = 0;
    for (int j = 0; j < d; ++j) {
        for (int i = 0; i < d; ++i) {
            sum += p.at(static_cast<int>(x * d + offset_x) + i,
                        static_cast<int>(y * d + offset_y) + j, band);
        }
    }
    return sum / (d * d) / (sizeof(T) == 1 ? 1 : 257);
}

/// Luma of ITU-R BT.601 (as JFIF 1.02).
template <typename T>
double luma_mean(const bt::Picture<T>& p, int64_t x, int64_t y, int d, int64_t offset_x,
                 int64_t offset_y) {
    const auto band = [&](int b) { return block_mean(p, x, y, d, offset_x, offset_y, b); };
    return p.bands == 1 ? band(0) : 0.299 * band(0) + 0.587 * band(1) + 0.114 * band(2);
}

struct Misses {
    double grey = 0, colour = 0;  ///< RMS, levels
};

/// How far the reduced frames lie from the upright picture's blocks, `shift` added to the offsets.
template <typename T>
Misses misses(const bt::Picture<T>& whole, const GreyImage& grey, const ColourImage& colour,
              int64_t shift_x = 0, int64_t shift_y = 0) {
    double grey_sum = 0;
    double colour_sum = 0;
    for (int64_t y = 0; y < grey.height; ++y) {
        for (int64_t x = 0; x < grey.width; ++x) {
            const int d = grey.denominator;
            const int64_t ox = grey.offset_x + shift_x;
            const int64_t oy = grey.offset_y + shift_y;
            grey_sum += std::pow(grey.at(x, y) - luma_mean(whole, x, y, d, ox, oy), 2);
            for (int c = 0; c < 3; ++c) {
                const double wanted =
                    block_mean(whole, x, y, d, ox, oy, std::min(c, whole.bands - 1));
                colour_sum += std::pow(colour.at(x, y)[c] / 257.0 - wanted, 2) / 3;
            }
        }
    }
    const auto count = static_cast<double>(grey.width * grey.height);
    return {std::sqrt(grey_sum / count), std::sqrt(colour_sum / count)};
}

template <typename T>
void check_file(const std::filesystem::path& file, const bt::Picture<T>& stored, double tolerance) {
    const FrameInfo info = probe_frame(file, "frame");
    FramePixels scratch;
    for (int orientation = 1; orientation <= 8; ++orientation) {
        const bt::Picture<T> whole = upright(stored, orientation);
        for (const int d : {1, 2, 4, 8}) {
            CAPTURE(file.filename().string(), orientation, d);
            GreyImage grey;
            ColourImage colour;
            read_both(file, "frame", info, orientation, d, scratch, grey, colour);
            REQUIRE(grey.width == whole.width / d);
            REQUIRE(grey.height == whole.height / d);
            REQUIRE(colour.width == grey.width);
            REQUIRE(colour.height == grey.height);
            REQUIRE(colour.offset_x == grey.offset_x);
            REQUIRE(colour.offset_y == grey.offset_y);
            const Misses m = misses(whole, grey, colour);
            UNSCOPED_INFO("rms " << m.grey << " " << m.colour);
            CHECK(m.grey < tolerance);
            CHECK(m.colour < tolerance);
            // Control: without its offset the frame does not fit.
            if (grey.offset_x > 0 || grey.offset_y > 0) {
                const Misses off = misses(whole, grey, colour, -grey.offset_x, -grey.offset_y);
                CHECK(off.grey > 2 * m.grey);
            }
            const GreyImage grey_alone = read_grey(file, "frame", info, orientation, d, scratch);
            CHECK(grey_alone.pixels == grey.pixels);
            CHECK(grey_alone.offset_x == grey.offset_x);
            const ColourImage colour_alone =
                read_colour(file, "frame", info, orientation, d, scratch);
            CHECK(colour_alone.pixels == colour.pixels);
        }
    }
}

/// Waves longer than a few blocks without noise: what JPEG keeps at any scale.
bt::Picture<uint8_t> smooth(int width, int height) {
    bt::Picture<uint8_t> p{width, height, 3, {}};
    for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
            for (int b = 0; b < 3; ++b) {
                p.samples.push_back(static_cast<uint8_t>(
                    std::lround(128 + 100 * std::sin(x * 0.05 + 0.5 * b) * std::cos(y * 0.04))));
            }
        }
    }
    return p;
}

}  // namespace

TEST_CASE("in every orientation a reduced pixel is the mean of its upright block",
          "[reduced_frame]") {
    start_frame_library();
    const bt::Folder folder;
    // 101 and 77 leave a rest at every denominator above 1; the waves are about 50 pixels long.
    // Rounding of the grey value and of the averaging make up the tolerance.
    const auto rgb = bt::wavy<uint8_t>(101, 77, 3);
    bt::save_vips(bt::to_vips(rgb, VIPS_INTERPRETATION_sRGB), folder / "rgb.png");
    check_file(folder / "rgb.png", rgb, 0.75);
    const auto deep = bt::wavy<uint16_t>(101, 77, 3);
    bt::save_vips(bt::to_vips(deep, VIPS_INTERPRETATION_RGB16), folder / "deep.png");
    check_file(folder / "deep.png", deep, 0.75);
}

TEST_CASE("scaled JPEG lies upright where it belongs", "[reduced_frame]") {
    start_frame_library();
    const bt::Folder folder;
    const auto picture = smooth(203, 155);
    // The scaled inverse transforms are no plain means, and chroma is subsampled: a few levels; a
    // shift by the rest of the division is many more.
    for (const std::vector<std::pair<int, int>>& factors :
         {std::vector<std::pair<int, int>>{{2, 2}, {1, 1}, {1, 1}},
          std::vector<std::pair<int, int>>{{2, 1}, {1, 1}, {1, 1}},
          std::vector<std::pair<int, int>>{{1, 1}, {1, 1}, {1, 1}}}) {
        bt::JpegOptions options;
        options.factors = factors;
        options.quality = 98;
        bt::write_bytes(folder / "frame.jpg", bt::write_jpeg(picture, options));
        check_file(folder / "frame.jpg", picture, 3.0);
    }
}

TEST_CASE("the smallest reduction that is small enough is chosen", "[reduced_frame]") {
    FrameInfo info;
    info.stored_width = 5472;
    info.stored_height = 3648;
    CHECK(reduction_for(info, 20'000'000) == 1);
    CHECK(reduction_for(info, 5'000'000) == 2);
    CHECK(reduction_for(info, 2736 * 1824) == 2);
    CHECK(reduction_for(info, 2736 * 1824 - 1) == 4);
    CHECK(reduction_for(info, 1'300'000) == 4);
    CHECK(reduction_for(info, 10) == 8);
}

TEST_CASE("coordinates go to the full frame and back", "[reduced_frame]") {
    GreyImage g;
    g.denominator = 4;
    g.offset_x = 3;
    const Vec2 full = g.to_full({10.25, 7.5});
    CHECK(full.x == 44.0);
    CHECK(full.y == 30.0);
    CHECK(g.from_full(full).x == 10.25);
    CHECK(g.from_full(full).y == 7.5);
}

TEST_CASE("a frame smaller than a block keeps a pixel", "[reduced_frame]") {
    start_frame_library();
    const bt::Folder folder;
    const auto tiny = bt::wavy<uint8_t>(5, 3, 3);
    bt::save_vips(bt::to_vips(tiny, VIPS_INTERPRETATION_sRGB), folder / "tiny.png");
    const FrameInfo info = probe_frame(folder / "tiny.png", "tiny");
    FramePixels scratch;
    const GreyImage grey = read_grey(folder / "tiny.png", "tiny", info, 6, 8, scratch);
    REQUIRE(grey.width == 1);
    REQUIRE(grey.height == 1);
    double mean = 0;
    for (int y = 0; y < 3; ++y) {
        for (int x = 0; x < 5; ++x) {
            mean +=
                (0.299 * tiny.at(x, y, 0) + 0.587 * tiny.at(x, y, 1) + 0.114 * tiny.at(x, y, 2)) /
                15;
        }
    }
    CHECK_THAT(static_cast<double>(grey.at(0, 0)), Catch::Matchers::WithinAbs(mean, 1.0));
}

TEST_CASE("real samples of orientation 1 to 8 show the same upright picture",
          "[reduced_frame][real]") {
    const char* photos = std::getenv("BROADLOOM_PHOTOS");
    if (photos == nullptr) {
        WARN("skipped: BROADLOOM_PHOTOS does not name the folder of real photographs");
        return;
    }
    start_frame_library();
    FramePixels scratch;
    for (const std::string kind : {"Landscape", "Portrait"}) {
        std::map<int, GreyImage> turned;
        for (int o = 1; o <= 8; ++o) {
            const std::filesystem::path file = std::filesystem::path(photos) / "orientation" /
                                               (kind + "_" + std::to_string(o) + ".jpg");
            REQUIRE(std::filesystem::exists(file));
            const FrameInfo info = probe_frame(file, "sample");
            CHECK(info.orientation == o);
            turned[o] = read_grey(file, "sample", info, info.orientation, 8, scratch);
        }
        // The files carry the number of their orientation as lettering, and are compressed apart.
        const auto difference = [&](const GreyImage& a, const GreyImage& b, bool flip) {
            double sum = 0;
            for (int64_t y = 0; y < a.height; ++y) {
                for (int64_t x = 0; x < a.width; ++x) {
                    sum += std::abs(a.at(x, y) - b.at(flip ? b.width - 1 - x : x, y));
                }
            }
            return sum / static_cast<double>(a.width * a.height);
        };
        for (int o = 2; o <= 8; ++o) {
            CAPTURE(kind, o);
            REQUIRE(turned[o].width == turned[1].width);
            REQUIRE(turned[o].height == turned[1].height);
            const double same = difference(turned[1], turned[o], false);
            const double mirrored = difference(turned[1], turned[o], true);  // the control
            CHECK(same < 6);
            CHECK(mirrored > 3 * same);
        }
    }
}
