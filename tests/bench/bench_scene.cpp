#include "bench/bench_scene.hpp"

#include <algorithm>
#include <stdexcept>
#include <string>

#include "broadloom/scene.hpp"

namespace broadloom::test {

namespace {

namespace fs = std::filesystem;

constexpr double kStepDeg = 9;  // as make_bench_shoot turns

/// The frame's file under another name.
std::string again(const fs::path& folder, const std::string& file, int64_t turn) {
    const std::string name =
        "again-" + std::to_string(turn) + "/" + fs::path(file).filename().string();
    fs::create_directories((folder / name).parent_path());
    if (!fs::exists(folder / name)) {
        std::error_code failed;
        fs::create_hard_link(folder / file, folder / name, failed);
        if (failed) fs::copy_file(folder / file, folder / name);
    }
    return name;
}

}  // namespace

fs::path bench_scene(const fs::path& folder, int64_t columns, int64_t rows) {
    const fs::path file =
        folder / ("grid-" + std::to_string(columns) + "x" + std::to_string(rows) + ".json");
    if (fs::exists(file)) return file;
    Scene scene = read_scene(folder / "scene.json", SceneNeeds::orientations);
    int64_t had_columns = 0;
    int64_t had_rows = 0;
    for (const Frame& f : scene.frames) {
        had_columns = std::max(had_columns, *f.column + 1);
        had_rows = std::max(had_rows, *f.row + 1);
    }
    if (rows > had_rows || (columns > had_columns && columns % had_columns != 0))
        throw std::runtime_error("the frames make no grid " + file.filename().string());
    const std::vector<Frame> had = scene.frames;
    scene.frames.clear();
    const int64_t turns = std::max<int64_t>(1, columns / had_columns);
    const int64_t left = columns < had_columns ? (had_columns - columns) / 2 : 0;
    const int64_t top = (had_rows - rows) / 2;
    for (int64_t turn = 0; turn < turns; ++turn) {
        for (Frame f : had) {
            if (*f.row < top || *f.row >= top + rows) continue;
            if (turns == 1 && (*f.column < left || *f.column >= left + columns)) continue;
            f.row = *f.row - top;
            f.column = *f.column - left + turn * had_columns;
            // Yaws stay within 180 degrees.
            *f.yaw_deg += (static_cast<double>(turn) - static_cast<double>(turns - 1) / 2) *
                          static_cast<double>(had_columns) * kStepDeg;
            if (turn > 0) f.file = again(folder, f.file, turn);
            scene.frames.push_back(f);
        }
    }
    write_scene(scene, file);
    return file;
}

}  // namespace broadloom::test
