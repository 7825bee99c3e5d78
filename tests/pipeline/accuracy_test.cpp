// Accuracy from frames to finished files: known photographs are laid on a canvas, photographed with
// known lens, vignetting, gains, noise and JPEG, rendered, read back and compared with the truth
// and with a hard-cut composite made in memory.
#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>

#include "broadloom/render.hpp"
#include "support/memory_frames.hpp"
#include "support/plain_composite.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;

namespace {

/// Pixels left out at the canvas's edges, where the truth itself is continued.
constexpr int64_t kMargin = 16;

/// With BROADLOOM_FIGURES set the photographs have 8 megapixels, and figures are told.
bool figures() { return std::getenv("BROADLOOM_FIGURES") != nullptr; }

void tell(const std::string& text) {
    if (figures()) WARN(text);
    UNSCOPED_INFO(text);
}

Picture rendered(const Scene& scene, const std::filesystem::path& out, int quality, Chroma chroma,
                 Pass pass = Pass::full, bool even_light = true) {
    RenderOptions options;
    options.out = out;
    options.quality = quality;
    options.chroma = chroma;
    options.pass = pass;
    options.scale = 1.0;
    options.memory_bytes = int64_t{1} << 30;
    options.threads = 2;
    options.even_light = even_light;
    render(scene, options);
    return load_picture(out / "pano.tif");
}

ShootOptions usual_shoot() {
    ShootOptions o;
    o.width = 1600;
    o.height = 1100;
    o.radial = {-0.08, 0.02, 0};
    o.tangential = {0.0005, -0.0004};
    o.vignetting = {-0.3, 0.06, 0};
    o.gain_spread = 0.3;
    o.aim_error_deg = 0.25;
    o.roll_error_deg = 0.4;
    o.noise_levels = 1;
    return o;
}

void try_out(const Picture& truth, const Canvas& canvas, const ShootOptions& shooting) {
    REQUIRE(truth.width == canvas.width);
    REQUIRE(truth.height == canvas.height);
    const ScratchFolder folder;
    const Scene scene = shoot(truth, canvas, shooting, folder.path());
    const Picture composite = plain_composite(scene, canvas);

    // The default: quality 90, 4:2:0.
    const Picture usual = rendered(scene, folder / "usual", 90, Chroma::c420);
    REQUIRE(usual.width == truth.width);
    REQUIRE(usual.height == truth.height);
    const Picture yardstick = through_jpeg(composite, 90, false);
    const double ours = psnr(truth, usual, kMargin);
    const double theirs = psnr(truth, yardstick, kMargin);
    const double bias = worst_block_bias(truth, usual, kMargin);
    tell("quality 90, 4:2:0: " + std::to_string(ours) + " dB, composite " + std::to_string(theirs) +
         " dB; worst block " + std::to_string(bias) + " levels, composite " +
         std::to_string(worst_block_bias(truth, yardstick, kMargin)));
    CHECK(ours > theirs - 0.2);
    CHECK(bias < 2.0);

    const Picture best = rendered(scene, folder / "best", 100, Chroma::c444);
    const Picture best_yardstick = through_jpeg(composite, 100, true);
    const double best_ours = psnr(truth, best, kMargin);
    const double best_theirs = psnr(truth, best_yardstick, kMargin);
    const double best_bias = worst_block_bias(truth, best, kMargin);
    tell("quality 100, 4:4:4: " + std::to_string(best_ours) + " dB, composite " +
         std::to_string(best_theirs) + " dB; worst block " + std::to_string(best_bias) +
         " levels, composite " + std::to_string(worst_block_bias(truth, best_yardstick, kMargin)));
    CHECK(best_ours > best_theirs - 0.2);
    CHECK(best_bias < 1.5);

    // Negative controls: gains forgotten (and not found again from the overlaps), and a turn of a
    // pixel, are noticed by the same checks.
    Scene wrong = scene;
    for (Frame& f : wrong.frames) f.gain = {1, 1, 1};
    const Picture dull = rendered(wrong, folder / "dull", 100, Chroma::c444, Pass::draft, false);
    CHECK(psnr(truth, dull, kMargin) < best_theirs - 0.2);
    CHECK(worst_block_bias(truth, dull, kMargin) > 2.0);
    wrong = scene;
    for (Frame& f : wrong.frames) *f.yaw_deg += 1 / canvas.pixels_per_degree;
    const Picture turned = rendered(wrong, folder / "turned", 100, Chroma::c444, Pass::draft);
    CHECK(psnr(truth, turned, kMargin) < best_theirs - 0.2);
}

bool there(const std::filesystem::path& file, const std::string& package) {
    if (std::filesystem::exists(file)) return true;
    WARN("skipped: no " << file.string() << "; install " << package);
    return false;
}

struct Size {
    int64_t width, height;
};

/// A canvas of that size about the horizon's middle, 60 pixels a degree.
Canvas flat(Size size) {
    const double right = static_cast<double>(size.width) / 120;
    const double top = static_cast<double>(size.height) / 120;
    return canvas_between(Surface::sphere, -right, right, top, -top, 60);
}

const std::filesystem::path kElephants =
    "/usr/share/backgrounds/mate/abstract/Elephants_5640x3172.jpg";
const std::filesystem::path kDragonfly = "/usr/share/backgrounds/Dragonfly_by_Bolly.jpg";
const std::filesystem::path kMountains =
    "/usr/share/backgrounds/picosdeeuropa_by_Aitzol_Berasategi.jpg";

}  // namespace

TEST_CASE("a photograph comes back from a flat piece of sphere", "[accuracy][pipeline]") {
    if (!there(kElephants, "mate-backgrounds")) return;
    ShootOptions o = usual_shoot();
    o.rows = 3;
    o.columns = 4;
    Size size{3584, 2304};  // 8 megapixels
    if (!figures()) {
        size = {2304, 1536};
        o.columns = 3;
        o.width = 1200;
        o.height = 750;
    }
    try_out(cropped(load_picture(kElephants), 900, 400, size.width, size.height), flat(size), o);
}

TEST_CASE("another photograph comes back from a flat piece of sphere", "[accuracy][pipeline]") {
    if (!there(kDragonfly, "lomiri-wallpapers-16.04")) return;
    ShootOptions o = usual_shoot();
    o.rows = 3;
    o.columns = 4;
    o.seed = 5;
    o.radial = {0.1, -0.03, 0};
    o.overlap = 0.38;
    o.gain_spread = 0.25;
    Size size{3584, 2304};
    if (!figures()) {
        size = {1792, 1152};
        o.rows = 2;
        o.columns = 3;
        o.width = 900;
        o.height = 800;
    }
    try_out(cropped(load_picture(kDragonfly), 300, 500, size.width, size.height), flat(size), o);
}

TEST_CASE("a photograph comes back from a cylinder", "[accuracy][pipeline]") {
    if (!there(kMountains, "lomiri-wallpapers-16.04")) return;
    const Canvas canvas = canvas_between(Surface::cylinder, -20, 20, 13, -11, 48);
    const Picture truth = cropped(load_picture(kMountains), 600, 700, canvas.width, canvas.height);
    ShootOptions o = usual_shoot();
    o.surface = Surface::cylinder;
    o.width = 1100;
    o.height = 900;
    o.rows = 2;
    o.columns = 3;
    o.overlap = 0.3;
    o.seed = 9;
    try_out(truth, canvas, o);
}
