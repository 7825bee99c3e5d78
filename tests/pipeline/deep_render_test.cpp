// Renders of 16 bits and of alpha, end to end: what the frames hold comes back in the TIFF.
#include <vips/vips.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>

#include "broadloom/canvas.hpp"
#include "broadloom/render.hpp"
#include "io/frame_reader.hpp"
#include "io/output_profiles.hpp"
#include "support/frame_files.hpp"
#include "support/read_back.hpp"
#include "support/read_deep.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;
namespace fs = std::filesystem;

namespace {

using Frame16 = test::Picture<uint16_t>;

void save_frame(const Frame16& picture, const fs::path& file) {
    save_vips(to_vips(picture, VIPS_INTERPRETATION_RGB16), file.string());
}

/// A camera so long that neighbouring rays are parallel: a frame pixel is a canvas pixel to 1e-6.
constexpr double kLongFocal = 1e6;
constexpr double kLongScale = kLongFocal * kRadPerDeg;

/// One frame of a long camera in the middle of a canvas of the given size.
Scene one_frame(const ScratchFolder& folder, const std::string& file, int64_t frame_width,
                int64_t frame_height, int64_t width, int64_t height) {
    Scene scene;
    scene.folder = folder.path();
    Camera camera;
    camera.width = frame_width;
    camera.height = frame_height;
    camera.focal_px = kLongFocal;
    scene.cameras["main"] = camera;
    scene.canvas.pixels_per_degree = kLongScale;
    scene.canvas.right_deg = static_cast<double>(width) / 2 / kLongScale;
    scene.canvas.left_deg = -*scene.canvas.right_deg;
    scene.canvas.top_deg = static_cast<double>(height) / 2 / kLongScale;
    scene.canvas.bottom_deg = -*scene.canvas.top_deg;
    Frame frame;
    frame.file = file;
    frame.camera = "main";
    frame.yaw_deg = 0;
    frame.pitch_deg = 0;
    scene.frames.push_back(frame);
    return scene;
}

RenderOptions plain_options(const fs::path& out) {
    RenderOptions o;
    o.out = out;
    o.seams = Seams::simple;
    o.shift_limit_px = 0;
    o.even_light = false;
    o.threads = 2;
    o.memory_bytes = int64_t{1} << 30;
    return o;
}

/// 256 x 256 pixels with every 16-bit value once a channel: rising by rows, falling by rows, rising
/// by columns.
Frame16 ramp() {
    Frame16 p{256, 256, 3, {}};
    for (int y = 0; y < 256; ++y) {
        for (int x = 0; x < 256; ++x) {
            p.samples.push_back(static_cast<uint16_t>(256 * y + x));
            p.samples.push_back(static_cast<uint16_t>(65535 - 256 * y - x));
            p.samples.push_back(static_cast<uint16_t>(256 * x + y));
        }
    }
    return p;
}

size_t distinct(const DeepPage& page, int64_t band) {
    std::set<int> values;
    for (int64_t y = 0; y < page.height; ++y) {
        for (int64_t x = 0; x < page.width; ++x) values.insert(page.at(x, y, band));
    }
    return values.size();
}

}  // namespace

TEST_CASE("a ramp of 65,536 values comes back through a render", "[deep][pipeline]") {
    start_frame_library();
    for (const std::string file : {"ramp.tif", "ramp.png"}) {
        const ScratchFolder folder;
        const Frame16 frame = ramp();
        save_frame(frame, folder / file);
        const Scene scene = one_frame(folder, file, 256, 256, 256, 256);
        RenderOptions o = plain_options(folder / "out");
        const RenderReport report = render(scene, o);
        CHECK(report.tiff_bits == 16);  // because the frame has them
        const DeepPage page = read_page(o.out / "pano.tif", 0);
        REQUIRE(page.width == 256);
        REQUIRE(page.height == 256);
        REQUIRE(page.bits == 16);
        REQUIRE(page.bands == 3);
        int worst = 0;
        // The outermost pixels' centres lie on the edge of the view, give or take 1e-6.
        for (int y = 1; y < 255; ++y) {
            for (int x = 1; x < 255; ++x) {
                for (int c = 0; c < 3; ++c) {
                    worst = std::max(worst, std::abs(page.at(x, y, c) - frame.at(x, y, c)));
                }
            }
        }
        CHECK(worst <= 1);
        for (int c = 0; c < 3; ++c) CHECK(distinct(page, c) >= 60000);

        // Control: 8 bits keep 256 values at most.
        o.out = folder / "shallow";
        o.tiff_bits = 8;
        CHECK(render(scene, o).tiff_bits == 8);
        const DeepPage shallow = read_page(o.out / "pano.tif", 0);
        CHECK(shallow.bits == 8);
        CHECK(distinct(shallow, 0) <= 256);
    }
}

namespace {

// IEC 61966-2-1.
double to_light(double code) {
    return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
}
double to_code(double light) {
    return light <= 0.0031308 ? light * 12.92 : 1.055 * std::pow(light, 1 / 2.4) - 0.055;
}

/// A clear sky: codes of 16 bits that change slowly with longitude and latitude, degrees.
double sky(double longitude, double latitude, int c) {
    const double base[3] = {17000, 27000, 41000};
    return base[c] + 110 * longitude * (c - 1.4) + 260 * latitude * (1 + 0.2 * c) +
           90 * std::sin(0.4 * longitude);
}

constexpr int kSkyWidth = 480, kSkyHeight = 320;
constexpr double kSkyFocal = 1500;

/// Three frames of the sky beside each other, a third overlapping, each under other light.
Scene sky_scene(const ScratchFolder& folder) {
    Scene scene;
    scene.folder = folder.path();
    Camera camera;
    camera.width = kSkyWidth;
    camera.height = kSkyHeight;
    camera.focal_px = kSkyFocal;
    scene.cameras["main"] = camera;
    scene.canvas.pixels_per_degree = kSkyFocal * kRadPerDeg;
    scene.canvas.left_deg = -18;
    scene.canvas.right_deg = 18;
    scene.canvas.top_deg = 5;
    scene.canvas.bottom_deg = -5;
    const double gains[3] = {1, 1.12, 0.93};
    for (int k = 0; k < 3; ++k) {
        Frame frame;
        frame.file = "sky" + std::to_string(k) + ".tif";
        frame.camera = "main";
        frame.yaw_deg = (k - 1) * 12.0;
        frame.pitch_deg = 0.5 * k - 0.5;
        frame.roll_deg = 0.7 * k - 0.5;
        frame.gain = {gains[k], gains[k], gains[k]};
        scene.frames.push_back(frame);
        const Rotation turn =
            Rotation::from_yaw_pitch_roll_deg(*frame.yaw_deg, *frame.pitch_deg, frame.roll_deg);
        Frame16 picture{kSkyWidth, kSkyHeight, 3, {}};
        for (int y = 0; y < kSkyHeight; ++y) {
            for (int x = 0; x < kSkyWidth; ++x) {
                const Vec3 d = turn.to_world({(x + 0.5 - kSkyWidth / 2.0) / kSkyFocal,
                                              (y + 0.5 - kSkyHeight / 2.0) / kSkyFocal, 1});
                for (int c = 0; c < 3; ++c) {
                    const double code = sky(std::atan2(d.x, d.z) * kDegPerRad,
                                            -std::asin(d.y / norm(d)) * kDegPerRad, c);
                    picture.samples.push_back(static_cast<uint16_t>(
                        std::lround(65535 * to_code(to_light(code / 65535) / gains[k]))));
                }
            }
        }
        save_frame(picture, folder / frame.file);
    }
    return scene;
}

/// Largest difference from the true sky where a frame covers, and the largest between what one
/// pixel differs from its left neighbour and what it should.
struct SkyErrors {
    double value = 0, step = 0;
};
SkyErrors sky_errors(const DeepPage& page, const Canvas& canvas) {
    SkyErrors e;
    for (int64_t y = 0; y < page.height; ++y) {
        std::array<double, 3> before{};
        for (int64_t x = 0; x < page.width; ++x) {
            if (page.at(x, y, 3) != 65535) {
                before = {};
                continue;
            }
            const double longitude =
                canvas.left_deg + (static_cast<double>(x) + 0.5) / canvas.pixels_per_degree;
            const double latitude =
                canvas.top_deg - (static_cast<double>(y) + 0.5) / canvas.pixels_per_degree;
            for (int c = 0; c < 3; ++c) {
                const double off = page.at(x, y, c) - sky(longitude, latitude, c);
                e.value = std::max(e.value, std::abs(off));
                if (x > 0 && page.at(x - 1, y, 3) == 65535) {
                    e.step = std::max(e.step, std::abs(off - before[static_cast<size_t>(c)]));
                }
                before[static_cast<size_t>(c)] = off;
            }
        }
    }
    return e;
}

}  // namespace

TEST_CASE("a sky of 16 bits has no steps of 8 bits, across seams and gains", "[deep][pipeline]") {
    start_frame_library();
    const ScratchFolder folder;
    const Scene scene = sky_scene(folder);
    RenderOptions o = plain_options(folder / "out");
    o.uncovered = Uncovered::alpha;
    render(scene, o);
    DeepPage page = read_page(o.out / "pano.tif", 0);
    REQUIRE(page.bits == 16);
    REQUIRE(page.bands == 4);
    const Canvas canvas = make_canvas(scene, 1);
    const SkyErrors errors = sky_errors(page, canvas);
    CAPTURE(errors.value, errors.step);
    // Frames and TIFF are rounded to whole codes, gains move dark codes by up to 1.12 of that.
    CHECK(errors.value <= 4);
    CHECK(errors.step <= 4);
    // Control: the same picture in 8 bits steps by 257.
    for (size_t i = 0; i < page.samples.size(); ++i) {
        if (i % 4 != 3)
            page.samples[i] = static_cast<uint16_t>((page.samples[i] + 128) / 257 * 257);
    }
    CHECK(sky_errors(page, canvas).step > 200);
}

TEST_CASE("tiles of a deep render are those of the 8-bit one to a level", "[deep][pipeline]") {
    start_frame_library();
    const ScratchFolder folder;
    const Scene scene = sky_scene(folder);
    RenderOptions o = plain_options(folder / "out");
    // JPEG at its best, so that little but the rendering differs.
    o.quality = 100;
    o.chroma = Chroma::c444;
    o.tile = 128;
    render(scene, o);
    RenderOptions shallow = o;
    shallow.out = folder / "shallow";
    shallow.tiff_bits = 8;
    const RenderReport report = render(scene, shallow);
    CHECK(report.tiff_bits == 8);
    // Dither moves single pixels by a level and JPEG turns that into a few; both leave the mean
    // brightness of a JPEG block alone. A channel's mean moves by what JPEG's whole-numbered colour
    // differences are rounded by: half a level of Cb is 0.9 levels of blue (JFIF 1.02).
    constexpr int64_t kBlock = 8;
    int64_t tiles = 0;
    double worst = 0;
    double worst_grey = 0;
    double other = 0;
    for (const auto& entry : fs::recursive_directory_iterator(o.out / "pano_files")) {
        if (!entry.is_regular_file()) continue;
        const Pixels deep = load(entry.path().string());
        const Pixels plain = load((shallow.out / entry.path().lexically_relative(o.out)).string());
        REQUIRE(deep.rgb.size() == plain.rgb.size());
        ++tiles;
        for (int64_t y = 0; y + kBlock <= deep.height; y += kBlock) {
            for (int64_t x = 0; x + kBlock <= deep.width; x += kBlock) {
                const double weights[3] = {0.299, 0.587, 0.114};
                double grey = 0;
                for (int c = 0; c < 3; ++c) {
                    double sum = 0;
                    double turned = 0;
                    for (int64_t j = y; j < y + kBlock; ++j) {
                        for (int64_t i = x; i < x + kBlock; ++i) {
                            sum += deep.at(i, j, c) - plain.at(i, j, c);
                            turned += deep.at(i, j, c) -
                                      plain.at(deep.width - 1 - i, deep.height - 1 - j, c);
                        }
                    }
                    grey += weights[c] * sum / (kBlock * kBlock);
                    worst = std::max(worst, std::abs(sum) / (kBlock * kBlock));
                    other = std::max(other, std::abs(turned) / (kBlock * kBlock));
                }
                worst_grey = std::max(worst_grey, std::abs(grey));
            }
        }
    }
    CAPTURE(worst, worst_grey);
    CHECK(tiles > 30);
    CHECK(worst_grey <= 1);
    CHECK(worst <= 2);
    CHECK(other > 5);  // the figure tells pictures apart
}

TEST_CASE("alpha ends at the frame's border, level by level, and tiles show the background",
          "[deep][pipeline]") {
    start_frame_library();
    const ScratchFolder folder;
    constexpr int kWidth = 61;
    constexpr int kHeight = 47;
    Frame16 frame = wavy<uint16_t>(kWidth, kHeight, 3);
    save_frame(frame, folder / "f.tif");
    Scene scene = one_frame(folder, "f.tif", kWidth, kHeight, 150, 100);
    // Canvas pixel i shows frame coordinate i + 0.5 - 75 + 30.5 + a quarter.
    scene.frames[0].yaw_deg = -0.25 / kLongScale;
    scene.frames[0].pitch_deg = 0.25 / kLongScale;
    for (const int bits : {16, 8}) {
        RenderOptions o = plain_options(folder / ("out" + std::to_string(bits)));
        o.uncovered = Uncovered::alpha;
        o.tiff_bits = bits;
        o.tile = 64;
        o.background = {200, 60, 90};
        const RenderReport report = render(scene, o);
        CHECK(report.tiff_alpha);
        const int opaque = bits == 16 ? 65535 : 255;
        const auto inside = [](double at, int size) { return at >= 0.5 && at <= size - 0.5; };
        DeepPage page = read_page(o.out / "pano.tif", 0);
        REQUIRE(page.bands == 4);
        REQUIRE(page.bits == bits);
        int wrong = 0;
        int covered = 0;
        for (int64_t y = 0; y < page.height; ++y) {
            for (int64_t x = 0; x < page.width; ++x) {
                const double fx = static_cast<double>(x) + 0.5 - 75 + kWidth / 2.0 + 0.25;
                const double fy = static_cast<double>(y) + 0.5 - 50 + kHeight / 2.0 + 0.25;
                const bool in = inside(fx, kWidth) && inside(fy, kHeight);
                covered += in ? 1 : 0;
                wrong += page.at(x, y, 3) == (in ? opaque : 0) ? 0 : 1;
                // What nothing covers has no colour.
                if (!in)
                    wrong += page.at(x, y, 0) + page.at(x, y, 1) + page.at(x, y, 2) == 0 ? 0 : 1;
            }
        }
        CHECK(wrong == 0);
        CHECK(covered == 60 * 46);

        // Each level is the one before, averaged; 8 bits are rounded on the way.
        for (int level = 1; level <= 2; ++level) {
            const DeepPage half = read_page(o.out / "pano.tif", level);
            double alpha_off = 0;
            double colour_off = 0;
            for (int64_t y = 0; y < half.height; ++y) {
                for (int64_t x = 0; x < half.width; ++x) {
                    double alpha = 0;
                    double n = 0;
                    double light[3] = {0, 0, 0};
                    for (int64_t j = 2 * y; j < std::min(2 * y + 2, page.height); ++j) {
                        for (int64_t i = 2 * x; i < std::min(2 * x + 2, page.width); ++i) {
                            n += 1;
                            alpha += page.at(i, j, 3);
                            for (int c = 0; c < 3; ++c) {
                                light[c] +=
                                    to_light(page.at(i, j, c) / double(opaque)) * page.at(i, j, 3);
                            }
                        }
                    }
                    alpha_off = std::max(alpha_off, std::abs(half.at(x, y, 3) - alpha / n));
                    for (int c = 0; c < 3 && alpha > 0; ++c) {
                        colour_off = std::max(
                            colour_off,
                            std::abs(half.at(x, y, c) - opaque * to_code(light[c] / alpha)));
                    }
                }
            }
            CAPTURE(bits, level, alpha_off, colour_off);
            CHECK(alpha_off <= (bits == 16 ? 0.75 : 1.0));
            CHECK(colour_off <= (bits == 16 ? 0.6 : 2.5));
            page = half;
        }

        // Web tiles lie over the background.
        const Pixels corner = load((o.out / "pano_files" / "8" / "0_0.jpg").string());
        for (int c = 0; c < 3; ++c) {
            CHECK(std::abs(corner.at(2, 2, c) - o.background[static_cast<size_t>(c)]) <= 2);
        }
        // Without alpha the TIFF does too.
        o.uncovered = Uncovered::background;
        o.out = folder / ("flat" + std::to_string(bits));
        render(scene, o);
        const DeepPage flat = read_page(o.out / "pano.tif", 0);
        CHECK(flat.bands == 3);
        const int unit = bits == 16 ? 257 : 1;
        for (int c = 0; c < 3; ++c) {
            CHECK(std::abs(flat.at(2, 2, c) - unit * o.background[static_cast<size_t>(c)]) <=
                  (bits == 16 ? 0 : 2));
        }
    }
}

TEST_CASE("every kind of TIFF has its samples, its profile and all levels", "[deep][pipeline]") {
    start_frame_library();
    const ScratchFolder folder;
    save_frame(wavy<uint16_t>(90, 70, 3), folder / "f.tif");
    const Scene scene = one_frame(folder, "f.tif", 90, 70, 130, 90);
    const std::map<OutputColour, std::pair<ColourSpace, std::string>> spaces{
        {OutputColour::srgb, {ColourSpace::srgb, "srgb"}},
        {OutputColour::display_p3, {ColourSpace::display_p3, "display-p3"}},
        {OutputColour::adobe_rgb, {ColourSpace::adobe_rgb, "adobe-rgb"}}};
    for (const int bits : {8, 16}) {
        for (const bool alpha : {false, true}) {
            for (const auto& [colour, space] : spaces) {
                CAPTURE(bits, alpha, space.second);
                RenderOptions o = plain_options(folder / "out");
                o.tiff_bits = bits;
                o.uncovered = alpha ? Uncovered::alpha : Uncovered::background;
                o.colour = colour;
                o.tile = 64;
                RenderOptions planned = o;
                planned.out = folder / "planned";
                const RenderPlan plan = plan_render(scene, planned);
                CHECK(plan.tiff_bits == bits);
                CHECK(plan.tiff_colour == space.second);
                CHECK(plan.tiff_alpha == alpha);
                const bool told = std::any_of(plan.notes.begin(), plan.notes.end(), [](auto& n) {
                    return n.find("the TIFF holds") != std::string::npos;
                });
                CHECK(told == (bits == 16 || alpha || colour != OutputColour::srgb));
                render(scene, o);
                std::ifstream in(o.out / "report.json");
                const auto report = nlohmann::json::parse(in);
                CHECK(report["tiff"]["bits"] == bits);
                CHECK(report["tiff"]["alpha"] == alpha);
                CHECK(report["tiff"]["colour"] == space.second);
                int64_t w = 130;
                int64_t h = 90;
                for (int page = 0; page < 3; ++page) {
                    const DeepPage p = read_page(o.out / "pano.tif", page);
                    CHECK(p.width == w);
                    CHECK(p.height == h);
                    CHECK(p.bits == bits);
                    CHECK(p.bands == (alpha ? 4 : 3));
                    w = (w + 1) / 2;
                    h = (h + 1) / 2;
                }
                CHECK_THROWS(read_page(o.out / "pano.tif", 3));
                VipsImage* image = vips_image_new_from_file((o.out / "pano.tif").c_str(), nullptr);
                REQUIRE(image != nullptr);
                const void* icc = nullptr;
                size_t bytes = 0;
                REQUIRE(vips_image_get_blob(image, VIPS_META_ICC_NAME, &icc, &bytes) == 0);
                const auto* from = static_cast<const uint8_t*>(icc);
                CHECK(std::vector<uint8_t>(from, from + bytes) == output_profile(space.first));
                g_object_unref(image);
                // The estimate is an upper side, here of a small file with its directories.
                CHECK(static_cast<int64_t>(fs::file_size(o.out / "pano.tif")) < plan.disk_bytes);
                fs::remove_all(o.out);
            }
        }
    }
}
