/// Level: which way is up, and where the picture's middle lies.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "broadloom/rotation.hpp"
#include "broadloom/scene.hpp"

namespace broadloom {

struct LevelFrame {
    Rotation rotation;
    std::optional<int64_t> row, column;
};

/// The rotation to put before every frame's own so that the head's axis is vertical: from the
/// frames' horizontal axes (Brown & Lowe 2007, section 5) and, in a grid, from the planes in which
/// the columns lie; then turned so that the middle of the set looks at yaw 0. A single row or a
/// loose set is levelled by the rolls alone. `level_deg` turns the picture clockwise after that.
Rotation level_set(std::span<const LevelFrame> frames, double level_deg);

struct YawPitchRoll {
    double yaw_deg = 0, pitch_deg = 0, roll_deg = 0;
};
/// Angles of a rotation in the scene's convention; yaw and roll in (-180, 180], pitch in [-90, 90].
YawPitchRoll yaw_pitch_roll(const Rotation& rotation);

/// Sphere or cylinder by the field of view of the whole set, with the reason in words.
Surface choose_surface(std::span<const LevelFrame> frames, std::span<const Camera> camera_of_frame,
                       std::string& reason);

}  // namespace broadloom
