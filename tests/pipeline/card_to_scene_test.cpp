// From a folder of photographs to a scene, against the exact truth: made-up cards are gathered and
// aligned, and what comes out is compared with where each frame really looked.
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "base/file_io.hpp"
#include "broadloom/align.hpp"
#include "broadloom/gather.hpp"
#include "broadloom/photometry.hpp"
#include "broadloom/render.hpp"
#include "support/card_shoot.hpp"
#include "support/scene_truth.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;

namespace {

constexpr const char* kPhoto = "/usr/share/backgrounds/mate/abstract/Elephants_5640x3172.jpg";

/// With BROADLOOM_FIGURES set the cards have the sizes of the guide's figures, and figures are
/// told.
bool figures() { return std::getenv("BROADLOOM_FIGURES") != nullptr; }

void tell(const std::string& text) {
    if (figures()) WARN(text);
    UNSCOPED_INFO(text);
}

/// Errors as a photographer makes them: aim and roll off by 0.3 degrees, the focal length misstated
/// by 5 %, light that differs by a third of a stop.
CardOptions careless() {
    CardOptions o;
    o.rows = figures() ? 4 : 3;
    o.columns = figures() ? 5 : 4;
    o.width = 900;
    o.height = 600;
    o.field_of_view_deg = 15;
    o.aim_error_deg = 0.3;
    o.roll_error_deg = 0.3;
    o.focal_misstatement = 0.05;
    o.vignetting = {-0.25, -0.05, 0};
    o.gain_spread_stops = 1.0 / 3;
    o.noise_levels = 1.5;
    o.quality = 95;
    return o;
}

/// A card that was photographed, gathered and aligned.
struct Trip {
    Card card;
    GatherReport gathered;
    AlignReport aligned;
    Scene scene;
    SceneTruth truth;
};

Trip travel(const CardOptions& options, const CardWorld& world,
            const std::filesystem::path& folder) {
    Trip t;
    t.card = plan_card(options);
    shoot_card(t.card, world, folder);
    GatherOptions g;
    g.inputs = {folder / "card"};
    g.out = folder / "scene.json";
    g.memory_bytes = int64_t{1} << 30;
    t.gathered = gather(g);
    AlignOptions a;
    a.scene = g.out;
    a.memory_bytes = g.memory_bytes;
    t.aligned = align(a);
    t.scene = read_scene(g.out, SceneNeeds::orientations);
    t.truth = compare_with_truth(t.card.truth, t.scene);
    return t;
}

/// Cells and takes of a gathered scene against those of the card, by file name.
void check_cells(const Trip& t) {
    REQUIRE(t.scene.frames.size() == t.card.frames.size());
    std::map<std::string, const CardFrame*> by_name;
    for (const CardFrame& f : t.card.frames) {
        by_name[std::filesystem::path(f.file).filename().native()] = &f;
    }
    for (const Frame& f : t.scene.frames) {
        INFO(f.file);
        const CardFrame& c = *by_name.at(std::filesystem::path(f.file).filename().native());
        CHECK(f.row == c.row);
        CHECK(f.column == c.column);
        CHECK(f.use == !c.retaken);
        if (!f.use) CHECK_FALSE(f.reason.empty());
    }
}

/// The world on a canvas, as a perfect render would show it.
Picture pictured(const CardWorld& world, const Canvas& canvas) {
    Picture p{canvas.width, canvas.height, {}};
    p.rgb.resize(static_cast<size_t>(canvas.width * canvas.height * 3));
    constexpr int kFine = 3;
    std::vector<double> lon(static_cast<size_t>(canvas.width * kFine));
    std::vector<double> lat(lon.size());
    std::vector<float> rgb(lon.size() * 3);
    std::vector<double> sum(static_cast<size_t>(canvas.width * 3));
    for (int64_t y = 0; y < canvas.height; ++y) {
        std::fill(sum.begin(), sum.end(), 0.0);
        for (int j = 0; j < kFine; ++j) {
            for (size_t i = 0; i < lon.size(); ++i) {
                const Vec3 d = canvas.direction((static_cast<double>(i) + 0.5) / kFine,
                                                static_cast<double>(y) + (j + 0.5) / kFine);
                lon[i] = std::atan2(d.x, d.z) * kDegPerRad;
                lat[i] = -std::asin(d.y / norm(d)) * kDegPerRad;
            }
            world.light(lon.data(), lat.data(), lon.size(), rgb.data());
            for (size_t i = 0; i < rgb.size(); ++i) {
                sum[i / (3 * kFine) * 3 + i % 3] += static_cast<double>(rgb[i]);
            }
        }
        for (size_t i = 0; i < sum.size(); ++i) {
            const double level = 255 * srgb_encode(sum[i] / (kFine * kFine));
            p.rgb[static_cast<size_t>(y) * sum.size() + i] =
                static_cast<uint8_t>(std::lround(std::clamp(level, 0.0, 255.0)));
        }
    }
    return p;
}

Picture rendered(const Scene& scene, const std::filesystem::path& out) {
    RenderOptions options;
    options.out = out;
    options.quality = 97;
    options.chroma = Chroma::c444;
    options.memory_bytes = int64_t{1} << 30;
    render(scene, options);
    return load_picture(out / "pano.tif");
}

/// The solved scene turned into the truth's world and onto its canvas, at its light.
Scene in_place_of(const Scene& truth, const Scene& solved, const SceneTruth& found) {
    Scene scene = solved;
    scene.canvas = truth.canvas;
    std::array<double, 3> log_ratio{};
    double count = 0;
    std::map<std::string, const Frame*> true_frames;
    for (const Frame& f : truth.frames) {
        true_frames[std::filesystem::path(f.file).filename().native()] = &f;
    }
    for (Frame& f : scene.frames) {
        if (!f.use) continue;
        const Rotation r =
            found.common * Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
        f.yaw_deg = std::atan2(r.m[0][2], r.m[2][2]) * kDegPerRad;
        f.pitch_deg = std::asin(-r.m[1][2]) * kDegPerRad;
        f.roll_deg = std::atan2(r.m[1][0], r.m[1][1]) * kDegPerRad;
        const Frame& t = *true_frames.at(std::filesystem::path(f.file).filename().native());
        for (size_t c = 0; c < 3; ++c) log_ratio[c] += std::log(t.gain[c] / f.gain[c]);
        ++count;
    }
    for (Frame& f : scene.frames) {
        for (size_t c = 0; c < 3; ++c) f.gain[c] *= std::exp(log_ratio[c] / count);
    }
    return scene;
}

}  // namespace

TEST_CASE("careless cards come out exact: places, focal length, gains, vignetting",
          "[pipeline][align][accuracy]") {
    for (const double k1 : {0.1, -0.1}) {
        for (const bool photograph : {false, true}) {
            // For their time: the photograph once, the texture twice for the figures alone.
            if (photograph ? k1 > 0 : k1 < 0 && !figures()) continue;
            if (photograph && !std::filesystem::exists(kPhoto)) {
                WARN(std::string(kPhoto) + " is not there (package mate-backgrounds): skipped");
                continue;
            }
            CardOptions o = careless();
            o.radial = {k1, 0, 0};
            o.seed = photograph ? 7 : 11;
            if (photograph) {  // which holds less firmly
                o.rows = 4;
                o.columns = 5;
            }
            const ScratchFolder folder;
            Picture picture;
            std::unique_ptr<CardWorld> world;  // looks at the picture
            if (photograph) {
                picture = load_picture(kPhoto);
                const Card card = plan_card(o);
                world = std::make_unique<PictureWorld>(picture, picture_scale(card, picture));
            } else {
                world = std::make_unique<TextureWorld>(card_pixel_deg(o), o.seed);
            }
            const Trip t = travel(o, *world, folder.path());
            const std::string told = (photograph ? "photograph, k1 " : "texture, k1 ") +
                                     std::to_string(k1) + ": " + truth_text(t.truth);
            INFO(told);
            tell(told);
            check_cells(t);
            CHECK(t.truth.missing.empty());
            CHECK(t.truth.rms_px <= 0.15);
            CHECK(std::abs(t.truth.focal_share) <= 0.001);
            CHECK(t.truth.gain_max_share <= 0.02);
            CHECK(std::abs(t.truth.corner_vignetting_share) <= 0.02);
            // What gathering alone knew was far from that.
            const Scene before =
                read_scene(folder.path() / "scene.json.before", SceneNeeds::orientations);
            CHECK(compare_with_truth(t.card.truth, before).rms_px > 3);
        }
    }
}

TEST_CASE("the picture of an aligned card is as good as that of the exact scene",
          "[pipeline][align][accuracy]") {
    CardOptions o = careless();
    o.rows = figures() ? 3 : 2;
    o.columns = figures() ? 4 : 3;
    o.width = figures() ? 900 : 600;
    o.height = figures() ? 600 : 400;
    o.radial = {-0.1, 0, 0};
    o.seed = 5;
    const ScratchFolder folder;
    const TextureWorld world(card_pixel_deg(o), o.seed);
    Trip t = travel(o, world, folder.path());
    const Canvas canvas = make_canvas(t.card.truth, 1.0);
    Scene truth = t.card.truth;
    truth.canvas.left_deg = canvas.left_deg + 2;
    truth.canvas.right_deg = canvas.right_deg - 2;
    truth.canvas.top_deg = canvas.top_deg - 2;
    truth.canvas.bottom_deg = canvas.bottom_deg + 2;
    truth.canvas.pixels_per_degree = canvas.pixels_per_degree;
    const Picture perfect = pictured(world, make_canvas(truth, 1.0));
    const Picture exact = rendered(truth, folder.path() / "exact");
    Scene solved = in_place_of(truth, t.scene, t.truth);
    solved.folder = t.scene.folder;
    const Picture ours = rendered(solved, folder.path() / "ours");
    const double exact_db = psnr(exact, perfect, 4);
    const double ours_db = psnr(ours, perfect, 4);
    tell("exact scene " + std::to_string(exact_db) + " dB, aligned " + std::to_string(ours_db) +
         " dB");
    CHECK(ours_db >= exact_db - 0.5);
    // One frame a pixel off is seen.
    for (Frame& f : solved.frames) {
        if (f.row == 1 && f.column == 1) *f.yaw_deg += 2 * card_pixel_deg(o);
    }
    CHECK(psnr(rendered(solved, folder.path() / "off"), perfect, 4) < exact_db - 0.5);
}

TEST_CASE("columns all round close; a long lens and a row of its own hold", "[pipeline][align]") {
    struct Shoot {
        const char* name;
        int64_t rows, columns;
        double view_deg;
        bool round;
        double most_px;
    };
    // A long lens hardly shows its focal length, and one open row hardly more: common to all
    // frames, it moves the set's ends against its middle. Their limits are what was measured,
    // rounded up.
    for (const Shoot& shoot :
         {Shoot{"round", 2, 16, 32, true, 0.15}, Shoot{"long lens", 4, 5, 4, false, 8},
          Shoot{"one row", 1, 8, 15, false, 1.5}}) {
        CardOptions o = careless();
        o.rows = shoot.rows;
        o.columns = shoot.columns;
        const bool large = figures() || shoot.rows == 1;  // one row needs every pixel
        o.width = large ? 600 : 480;
        o.height = large ? 400 : 320;
        o.field_of_view_deg = shoot.view_deg;
        o.all_round = shoot.round;
        o.focal_misstatement = 0.02;
        o.aim_error_deg = o.roll_error_deg = shoot.view_deg / 60;
        o.radial = {-0.05, 0, 0};
        o.seed = 21;
        const ScratchFolder folder;
        const TextureWorld world(card_pixel_deg(o), o.seed);
        const Trip t = travel(o, world, folder.path());
        tell(std::string(shoot.name) + ": " + truth_text(t.truth));
        CHECK(t.gathered.rows == shoot.rows);
        CHECK(t.gathered.columns == shoot.columns);
        CHECK(t.truth.missing.empty());
        CHECK(t.truth.rms_px < shoot.most_px);
        CHECK(t.aligned.rms_px < 0.15);  // neighbours against each other
        if (!shoot.round) continue;
        // The canvas goes all the way round.
        CHECK(make_canvas(t.scene, 1.0).wraps);
    }
}

TEST_CASE("many frames, 15 % without texture, three retakes, shuffled names: all in place",
          "[pipeline][align][large]") {
    CardOptions o;
    o.rows = figures() ? 12 : 6;
    o.columns = figures() ? 20 : 10;
    o.width = figures() ? 600 : 480;
    o.height = figures() ? 400 : 320;
    o.field_of_view_deg = 9;
    o.aim_error_deg = 0.15;
    o.roll_error_deg = 0.15;
    o.focal_misstatement = 0.02;
    o.textureless_share = 0.15;
    if (figures()) {
        o.retakes = {{30, 2}, {111, 5}, {200, 13}};
    } else {
        o.retakes = {{10, 2}, {27, 3}, {50, 5}};
    }
    o.shuffled_names = true;
    o.seed = 3;
    const ScratchFolder folder;
    const TextureWorld world(card_pixel_deg(o), o.seed);
    const Trip t = travel(o, world, folder.path());
    tell(truth_text(t.truth));
    CHECK(t.gathered.rows == o.rows);
    CHECK(t.gathered.columns == o.columns);
    check_cells(t);
    CHECK(t.gathered.frames_used == (figures() ? 240 : 60));
    CHECK(t.gathered.frames_left_out == (figures() ? 20 : 10));
    CHECK(t.truth.missing.empty());
    CHECK(t.truth.extra.empty());
    // Frames without texture lie within what the head itself is off by.
    std::set<std::string> smooth;
    for (const CardFrame& f : t.card.frames) {
        if (f.textureless) smooth.insert(std::filesystem::path(f.file).filename().native());
    }
    CHECK(smooth.size() >= (figures() ? 20 : 5));
    const double head_px = 0.3 / card_pixel_deg(o);  // yaw and pitch both, and roll at the corner
    for (const FrameTruth& f : t.truth.frames) {
        INFO(f.file);
        const bool textureless =
            smooth.count(std::filesystem::path(f.file).filename().native()) > 0;
        if (textureless) {
            CHECK(f.placed_by == "head");
            CHECK(f.rms_px < head_px);
        } else if (f.placed_by == "matches") {
            CHECK(f.rms_px < 1);
        }
    }
    CHECK(t.aligned.placed_by_head <= static_cast<int64_t>(smooth.size()) + (figures() ? 12 : 3));
}
