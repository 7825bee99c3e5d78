/// The scene: frames, their cameras and orientations, and the wanted canvas, as one UTF-8 JSON
/// file.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "broadloom/camera.hpp"

namespace broadloom {

enum class Surface { sphere, cylinder };

/// The wanted canvas; each absent key is derived from the frames.
struct CanvasRequest {
    Surface surface = Surface::sphere;
    std::optional<double> left_deg, right_deg, top_deg, bottom_deg, pixels_per_degree;
};

/// A part of a frame, by its outline. A point lies in it when a ray from the point meets the
/// outline an odd number of times (even-odd rule), so that an outline may cross itself.
struct FrameMask {
    enum class Kind {
        /// Pixels whose centres lie in it are not taken from this frame. Resampling mixes in what
        /// lies up to three frame pixels either way: draw it some five pixels outside the thing.
        leave_out,
        keep,  ///< the picture shows it from this frame; of several, from the first
    };
    Kind kind = Kind::leave_out;
    std::vector<Vec2> outline_px;  ///< at least 3, upright frame pixels; may lie outside the frame
};

/// One photograph of the set.
struct Frame {
    std::string file;                    ///< as written in the scene; relative to the scene file
    std::string camera;                  ///< key of Scene::cameras
    std::optional<int64_t> row, column;  ///< row 0 is the top, column 0 the left
    std::optional<int64_t> orientation;  ///< EXIF 1..8; absent: as the file says
    std::optional<double> yaw_deg, pitch_deg;
    double roll_deg = 0;
    std::array<double, 3> gain{1, 1, 1};  ///< R, G, B, applied in linear light
    bool use = true;                      ///< false: "left out"
    std::string reason;                   ///< why it is left out
    std::string placed_by;                ///< "", "matches", "head" or "hand"
    std::vector<FrameMask> masks;         ///< "leave out" goes before "keep"
};

struct Scene {
    std::string title, credit, rights;
    std::string extra_json = "{}";  ///< kept as it is (compact JSON text)
    std::map<std::string, Camera> cameras;
    CanvasRequest canvas;
    std::vector<Frame> frames;
    std::filesystem::path folder;  ///< what relative files are relative to; not written

    /// The frame's file with `folder` before it when it is relative.
    [[nodiscard]] std::filesystem::path path_of(const Frame& frame) const;
};

/// What the scene is read for: rendering needs yaw and pitch of every used frame and at least one
/// used frame; a scene fresh from the card has none.
enum class SceneNeeds { anything, orientations };

/// Parses a scene. All problems are found in one go, each with its place (like
/// "frames[3].yaw_deg"): unknown, missing, duplicate, mistyped, out-of-range and non-finite values,
/// a newer version. Throws Error{input} whose message is one line for the first problem and the
/// count, and whose details list every problem, a line each (the first 1000). `name` stands for the
/// file in messages.
Scene parse_scene(std::string_view text, const std::string& name, SceneNeeds needs);

/// Reads and parses a file; files above 64 MiB are refused.
Scene read_scene(const std::filesystem::path& file, SceneNeeds needs);

/// The scene as JSON text that parse_scene reads back to an equal scene (doubles shortest-exact;
/// absent stays absent).
std::string scene_to_json(const Scene& scene);

/// Writes atomically: a working name beside the file, synced, then renamed.
void write_scene(const Scene& scene, const std::filesystem::path& file);

}  // namespace broadloom
