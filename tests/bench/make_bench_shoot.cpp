// Makes the frames that scripts/bench.sh renders:
//   make_bench_shoot FOLDER [small]
// 10 x 10 frames of 20 megapixels (5472 x 3648, 12 degrees wide, steps of 9 and 6 degrees, so that
// their canvas has 1.2 gigapixels), about 3 bits a pixel at quality 92, with lens, vignetting,
// uneven gains, noise, and two things in each frame that are in no other. `small`: 3 x 2 frames of
// 480 x 320. The world repeats every 90 degrees (small: 27), as wide as the frames' columns:
// the same frames fit a grid some times as wide. FOLDER gets card/*.jpg, then scene.json, whose
// aims are off by up to half a pixel, as solved ones are.
#include <chrono>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <string>

#include "support/card_shoot.hpp"
#include "support/repeating_world.hpp"
#include "support/world_noise.hpp"

namespace {

using namespace broadloom;

/// Of what is fine, so that files have about 3 bits a pixel.
constexpr double kContrast = 1.3;

void make(const std::filesystem::path& folder, bool small) {
    test::CardOptions o;
    o.columns = small ? 3 : 10;
    o.rows = small ? 2 : 10;
    o.width = small ? 480 : 5472;
    o.height = small ? 320 : 3648;
    o.field_of_view_deg = 12;
    o.overlap = 0.25;
    o.aim_error_deg = 0.05;
    o.roll_error_deg = 0.1;
    o.radial = {-0.05, 0.02, 0};
    o.vignetting = {-0.25, 0.05, 0};
    o.gain_spread_stops = 0.4;
    o.noise_levels = 1.2;
    o.passers_by = 2;
    o.quality = 92;
    test::Card card = test::plan_card(o);
    const double pixel_deg = test::card_pixel_deg(o);
    const double step_deg = o.field_of_view_deg * (1 - o.overlap);
    const test::RepeatingWorld world(pixel_deg, step_deg * static_cast<double>(o.columns),
                                     small ? 512 : 4096, o.seed, kContrast);
    test::shoot_card(card, world, folder);

    int64_t bytes = 0;
    int64_t number = 0;
    for (Frame& f : card.truth.frames) {
        const auto off = [&](int64_t salt) {
            return pixel_deg * (test::random_unit(number, salt, 9000) - 0.5);
        };
        *f.yaw_deg += off(0);
        *f.pitch_deg += off(1);
        ++number;
        bytes += static_cast<int64_t>(std::filesystem::file_size(folder / f.file));
    }
    write_scene(card.truth, folder / "scene.json");
    std::fprintf(
        stderr, "%.2f bits a pixel\n",
        8.0 * static_cast<double>(bytes) / static_cast<double>(number * o.width * o.height));
}

}  // namespace

int main(int argc, char** argv) {
    const bool small = argc == 3 && std::string(argv[2]) == "small";
    if (argc != 2 && !small) {
        std::fprintf(stderr, "usage: make_bench_shoot FOLDER [small]\n");
        return 2;
    }
    try {
        const auto start = std::chrono::steady_clock::now();
        make(argv[1], small);
        std::fprintf(
            stderr, "frames made in %.1f s\n",
            std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count());
    } catch (const std::exception& e) {
        std::fprintf(stderr, "make_bench_shoot: %s\n", e.what());
        return 1;
    }
    return 0;
}
