/// From a scene without orientations to one where every frame has its place: matches between
/// overlapping frames, a joint solution for orientations and lens, exposure and vignetting, level.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"

namespace broadloom {

struct AlignOptions {
    std::filesystem::path scene;  ///< read
    std::filesystem::path out;    ///< written; empty: `scene`, the old one kept as SCENE.before
    double level_deg = 0;         ///< turn the result clockwise by so much, after levelling
    bool photometry = true;       ///< solve gains and vignetting
    std::optional<int64_t> memory_bytes;  ///< absent: half of the machine's memory
    int threads = 0;                      ///< 0: all processors
};

struct PairReport {
    size_t a = 0, b = 0;  ///< frames, by index in the scene
    int64_t matches = 0;
    int64_t moved = 0;              ///< matches left aside: on things that moved between the frames
    double rms_px = 0, max_px = 0;  ///< in full-size frame pixels
    bool weak = false;
};

struct FrameReport {
    std::string file, placed_by;
    int64_t pairs = 0, matches = 0;
    double rms_px = 0, max_px = 0;
    bool low_confidence = false;
    size_t frame = 0;  ///< by index in the scene
};

struct CameraReport {
    std::string name;
    double expected_fov_deg = 0, found_fov_deg = 0;  ///< across the frame
    std::array<double, 3> radial{0, 0, 0};
    Vec2 principal_point_px;
};

struct AlignReport {
    std::filesystem::path scene_file, page, json;
    int64_t frames = 0, placed_by_matches = 0, placed_by_head = 0;
    double rms_px = 0, max_px = 0;
    std::vector<PairReport> pairs;
    std::vector<FrameReport> frame_reports;
    std::vector<CameraReport> cameras;
    /// Median over pairs of the exposure difference in the overlap, stops.
    double spread_before_stops = 0, spread_after_stops = 0;
    std::vector<std::vector<std::string>>
        groups;  ///< files, when the set falls apart; largest first
    std::vector<std::string> notes;
};

/// Aligns. Writes the scene atomically, and align.json and align.html beside it. Throws
/// Error{input} when the set does not hold together, after writing what was solved.
AlignReport align(const AlignOptions& options, const WorkHooks& hooks = {});

}  // namespace broadloom
