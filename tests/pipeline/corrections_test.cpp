// From frames to finished pictures with faults that the scene does not know of: gains misjudged by
// 5 %, and frames that lie some pixels off.
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <filesystem>

#include "broadloom/photometry.hpp"
#include "broadloom/render.hpp"
#include "support/memory_frames.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"
#include "support/textured_frames.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::ScratchFolder;
using Catch::Matchers::WithinAbs;

namespace {

constexpr int64_t kMargin = 16;

/// Tells the figures when BROADLOOM_FIGURES is set.
void tell(const std::string& text) {
    if (std::getenv("BROADLOOM_FIGURES") != nullptr) WARN(text);
    UNSCOPED_INFO(text);
}

/// A sky that pales towards the horizon, over textured ground.
Picture landscape(const Canvas& canvas) {
    Picture p;
    p.width = canvas.width;
    p.height = canvas.height;
    p.rgb.resize(static_cast<size_t>(3 * p.width * p.height));
    for (int64_t y = 0; y < p.height; ++y) {
        for (int64_t x = 0; x < p.width; ++x) {
            uint8_t* out = p.rgb.data() + 3 * (y * p.width + x);
            const double t = static_cast<double>(y) / static_cast<double>(p.height);
            const double shade = lattice_noise(x, y, 3);  // dithers the 8 bits
            std::array<double, 3> v{90 + 130 * t, 140 + 90 * t, 220 + 20 * t};
            if (t > 0.55) {
                const double ground = texture(static_cast<double>(x), static_cast<double>(y), 12);
                v = {110 + ground, 105 + 0.9 * ground, 80 + 0.8 * ground};
            }
            for (size_t c = 0; c < 3; ++c) {
                out[c] =
                    static_cast<uint8_t>(std::clamp(std::lround(v[c] + 0.5 * shade), 0L, 255L));
            }
        }
    }
    return p;
}

Picture rendered(const Scene& scene, const std::filesystem::path& out, bool even_light,
                 double shift_limit_px) {
    RenderOptions options;
    options.out = out;
    options.quality = 100;
    options.chroma = Chroma::c444;
    options.scale = 1.0;
    options.memory_bytes = int64_t{1} << 30;
    options.threads = 2;
    options.even_light = even_light;
    options.shift_limit_px = shift_limit_px;
    render(scene, options);
    return load_picture(out / "pano.tif");
}

double average(const Picture& p, size_t channel) {
    double sum = 0;
    for (size_t i = channel; i < p.rgb.size(); i += 3) sum += srgb_decode(p.rgb[i] / 255.0);
    return 3 * sum / static_cast<double>(p.rgb.size());
}

ShootOptions usual_shoot() {
    ShootOptions o;
    o.width = 900;
    o.height = 640;
    o.rows = 2;
    o.columns = 3;
    o.radial = {-0.08, 0.02, 0};
    o.vignetting = {-0.3, 0.06, 0};
    o.gain_spread = 0.2;
    o.noise_levels = 1;
    o.chroma_444 = true;
    return o;
}

}  // namespace

TEST_CASE("gains misjudged by 5 % leave no patches", "[corrections][pipeline]") {
    const Canvas canvas = canvas_between(Surface::sphere, -17, 17, 8.6, -8.6, 58);
    const Picture truth = landscape(canvas);
    const ScratchFolder folder;
    const Scene scene = shoot(truth, canvas, usual_shoot(), folder.path());
    Scene wrong = scene;
    Dice dice(4);
    for (Frame& f : wrong.frames) {
        // Up or down by 5 %, half of the frames each; colours by another 1 %.
        const double gain = dice.whole(0, 1) == 0 ? 0.95 : 1.05;
        for (double& g : f.gain) g *= gain * dice.between(0.99, 1.01);
    }
    const Picture even = rendered(wrong, folder / "even", true, 6);
    const Picture patchy = rendered(wrong, folder / "patchy", false, 6);
    const double corrected = worst_block_bias(truth, even, kMargin);
    const double as_is = worst_block_bias(truth, patchy, kMargin);
    tell("worst block: gains misjudged " + std::to_string(as_is) + " levels, evened " +
         std::to_string(corrected));
    CHECK(as_is > 3.5);  // the control
    CHECK(corrected < 2.5);
    for (size_t c = 0; c < 3; ++c) {
        CHECK_THAT(average(even, c) / average(patchy, c), WithinAbs(1, 0.01));
    }
}

TEST_CASE("frames some pixels off meet again", "[corrections][pipeline]") {
    const Canvas canvas = canvas_between(Surface::sphere, -17, 17, 8.6, -8.6, 58);
    const Picture truth = landscape(canvas);
    const ScratchFolder folder;
    const Scene scene = shoot(truth, canvas, usual_shoot(), folder.path());
    Scene wrong = scene;
    Dice dice(8);
    for (Frame& f : wrong.frames) {
        *f.yaw_deg += dice.between(-2, 2) / canvas.pixels_per_degree;
        *f.pitch_deg += dice.between(-2, 2) / canvas.pixels_per_degree;
    }
    const double exact = psnr(truth, rendered(scene, folder / "exact", true, 6), kMargin);
    const double plain = psnr(truth, rendered(scene, folder / "plain", true, 0), kMargin);
    const double met = psnr(truth, rendered(wrong, folder / "met", true, 6), kMargin);
    const double apart = psnr(truth, rendered(wrong, folder / "apart", true, 0), kMargin);
    tell("right aims " + std::to_string(plain) + " dB, with the correction " +
         std::to_string(exact) + "; off by up to 2 px " + std::to_string(apart) + ", with it " +
         std::to_string(met));
    CHECK(exact > plain - 0.2);  // does no harm
    CHECK(met > apart + 0.5);
}
