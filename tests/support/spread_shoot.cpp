// Lays the frames of a shoot out as a larger one, for measurements:
//   spread_shoot SCENE FOLDER COLUMNS ROWS [sphere|cylinder] [FOCAL_PX] [turn]
// FOLDER gets one file of its own for every frame (hard links to the shoot's files in turn, copies
// where links are not possible) and a scene.json. With `turn` the columns go round 360 degrees,
// otherwise neighbours overlap by 30 %. FOCAL_PX replaces the cameras' own.
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <set>
#include <string>

#include "broadloom/scene.hpp"

namespace {

namespace fs = std::filesystem;
using namespace broadloom;

constexpr double kOverlap = 0.30;
constexpr double kDegrees = 57.29577951308232;

void spread(const fs::path& from, const fs::path& folder, int columns, int rows, Surface surface,
            double focal_px, bool turn) {
    Scene scene = read_scene(from, SceneNeeds::anything);
    std::set<std::string> different;
    for (const Frame& f : scene.frames) different.insert(f.file);
    const std::vector<std::string> files(different.begin(), different.end());
    const std::string key = scene.frames.front().camera;
    Camera camera = scene.cameras.at(key);
    if (focal_px > 0) camera.focal_px = focal_px;
    scene.cameras = {{key, camera}};
    scene.canvas = {};
    scene.canvas.surface = surface;
    const auto view_deg = [&](int64_t pixels) {
        return 2 * std::atan(static_cast<double>(pixels) / 2 / camera.focal_px) * kDegrees;
    };
    const double step_x = turn ? 360.0 / columns : view_deg(camera.width) * (1 - kOverlap);
    const double step_y = view_deg(camera.height) * (1 - kOverlap);
    fs::create_directories(folder / "frames");
    const std::vector<Frame> shot = scene.frames;
    scene.frames.clear();
    for (int c = 0; c < columns; ++c) {
        for (int r = 0; r < rows; ++r) {
            const size_t number = scene.frames.size();
            Frame f;
            f.camera = key;
            f.gain = shot[number % shot.size()].gain;
            f.roll_deg = shot[number % shot.size()].roll_deg;
            f.row = r;
            f.column = c;
            f.yaw_deg = (c - (columns - 1) / 2.0) * step_x;
            f.pitch_deg = ((rows - 1) / 2.0 - r) * step_y;
            char name[40];
            std::snprintf(name, sizeof name, "frames/%04zu.jpg", number + 1);
            f.file = name;
            const fs::path source = from.parent_path() / files[number % files.size()];
            if (!fs::exists(folder / name)) {
                std::error_code failed;
                fs::create_hard_link(source, folder / name, failed);
                if (failed) fs::copy_file(source, folder / name);
            }
            scene.frames.push_back(f);
        }
    }
    write_scene(scene, folder / "scene.json");
}

}  // namespace

int main(int argc, char** argv) {
    if (argc < 5) {
        std::fprintf(stderr,
                     "usage: spread_shoot SCENE FOLDER COLUMNS ROWS [sphere|cylinder] [FOCAL_PX] "
                     "[turn]\n");
        return 2;
    }
    try {
        const auto word = [&](int i) { return argc > i ? std::string(argv[i]) : std::string(); };
        spread(argv[1], argv[2], std::atoi(argv[3]), std::atoi(argv[4]),
               word(5) == "cylinder" ? Surface::cylinder : Surface::sphere,
               std::atof(word(6).c_str()), word(7) == "turn");
    } catch (const std::exception& e) {
        std::fprintf(stderr, "spread_shoot: %s\n", e.what());
        return 1;
    }
    return 0;
}
