/// What the motorised head did: a model fitted to the frames that matches hold, to say where it put
/// the others. A frame's rotation in the head's own system (axis vertical, Y down) is
///   Ry(yaw) Rx(pitch) Rz(roll) Ry(side)
/// with yaw = scale x nominal + what the column adds + backlash by the direction of travel, pitch
/// likewise by row, and the camera's roll and sidewise error on the head common to all frames.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom {

struct HeadFrame {
    std::optional<int64_t> row, column;
    std::optional<Rotation> nominal;  ///< where the plan puts it; absent: the model has no say
    std::optional<Rotation> solved;   ///< by matches, in its group's system
    size_t group = 0;                 ///< groups lie to each other as they happen to
};

struct HeadModel {
    std::vector<std::optional<Rotation>> predicted;  ///< by frame, in the head's system
    /// d_head = head_from_group d_group; absent where the group has no frame with a nominal place.
    std::vector<std::optional<Rotation>> head_from_group;
    /// Repeatability about the camera's axes: pitch, yaw, roll; by the median of the residuals.
    std::array<double, 3> sigma_rad{};
    double yaw_scale = 1, pitch_scale = 1;                ///< true step over nominal step
    double yaw_backlash_rad = 0, pitch_backlash_rad = 0;  ///< half the difference by direction
    double roll_rad = 0;
    size_t held = 0;  ///< frames it was fitted to
};

/// Frames in the order in which they were taken. `wraps`: the nominal columns close the circle, so
/// that their step is certain. Needs two frames or more with both `nominal` and `solved` in one
/// group; nullopt otherwise.
std::optional<HeadModel> fit_head(std::span<const HeadFrame> frames, bool wraps);

/// Nominal places from rows and columns alone, for steps of the given size; middle at yaw and pitch
/// 0, row 0 on top. Absent for frames without a cell.
std::vector<std::optional<Rotation>> nominal_places(
    std::span<const std::pair<std::optional<int64_t>, std::optional<int64_t>>> cells,
    double column_step_deg, double row_step_deg);

}  // namespace broadloom
