/// Where linked frames aimed, from displacements of which some are wrong. A levelled head is taken
/// for granted: yaw and pitch, no roll but the camera's own.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

#include "gather/arrangement.hpp"

namespace broadloom {

struct Aim {
    double yaw_deg = 0, pitch_deg = 0;
};

/// Frames in components: frames that accepted displacements join, numbered from 0 by falling size.
/// Positions of different components have nothing to do with each other.
struct RoughPositions {
    std::vector<int> component;  ///< by frame; -1: nothing joins it to another
    std::vector<Aim> aims;       ///< by frame
    std::vector<bool> kept;      ///< by displacement: agrees with the positions
    int components = 0;
    /// Pitches of the largest component are absolute, found from how its rows converge; false: they
    /// are centred on the horizon.
    bool pitch_known = false;
    /// Of the largest component: yaw that no frame's middle lies in, its ends seen as neighbours.
    double widest_gap_deg = 360;
};

/// Where a frame lies that is seen `right_deg`, `up_deg` from a level frame at `from`.
Aim aim_seen_from(Aim from, double right_deg, double up_deg);

/// Yaw from a to b within -180..180.
double yaw_between(double a_deg, double b_deg);

RoughPositions rough_positions(size_t frames, std::span<const Displacement> displacements,
                               double width_deg, double height_deg);

}  // namespace broadloom
