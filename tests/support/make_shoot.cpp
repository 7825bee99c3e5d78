// Makes a scene of frames for benchmarks: make_shoot PHOTO FOLDER COLUMNS ROWS [sphere|cylinder]
// [FILES] 20-megapixel frames (5472 x 3648), 35 % overlap, lens, vignetting and gains, over a
// mirrored photograph with fine grain: about 3 bits a pixel at quality 92. FILES limits the number
// of different files; the scene repeats them.
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <string>

#include "support/shoot.hpp"

int main(int argc, char** argv) {
    using namespace broadloom;
    if (argc < 5) {
        std::fprintf(stderr,
                     "usage: make_shoot PHOTO FOLDER COLUMNS ROWS [sphere|cylinder] [FILES]\n");
        return 2;
    }
    try {
        const test::Picture photo = test::load_picture(argv[1]);
        test::ShootOptions o;
        o.columns = std::atoi(argv[3]);
        o.rows = std::atoi(argv[4]);
        o.surface =
            argc > 5 && std::string(argv[5]) == "cylinder" ? Surface::cylinder : Surface::sphere;
        o.different_files = argc > 6 ? std::atoi(argv[6]) : 0;
        o.width = 5472;
        o.height = 3648;
        o.focal_px = 15200;
        o.overlap = 0.30;
        o.radial = {-0.05, 0.02, 0};
        o.vignetting = {-0.25, 0.05, 0};
        o.gain_spread = 0.2;
        o.aim_error_deg = 0.1;
        o.roll_error_deg = 0.2;
        o.noise_levels = 2.0;
        o.quality = 92;
        o.mirror = true;
        Canvas canvas;
        canvas.surface = o.surface;
        canvas.pixels_per_degree = o.focal_px * kRadPerDeg;
        canvas.left_deg = -60;
        canvas.right_deg = 60;
        canvas.top_deg = 30;
        canvas.bottom_deg = -30;
        canvas.width = static_cast<int64_t>(120 * canvas.pixels_per_degree);
        canvas.height = static_cast<int64_t>(60 * canvas.pixels_per_degree);
        write_scene(test::shoot(photo, canvas, o, argv[2]),
                    std::filesystem::path(argv[2]) / "scene.json");
    } catch (const std::exception& e) {
        std::fprintf(stderr, "make_shoot: %s\n", e.what());
        return 1;
    }
    return 0;
}
