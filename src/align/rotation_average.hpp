/// Rotations of many frames from relative ones: robust averaging on the rotations alone, before any
/// match is looked at (R. Hartley et al., "Rotation averaging", IJCV 2013; iterated reweighting).
#pragma once

#include <span>
#include <vector>

#include "broadloom/rotation.hpp"

namespace broadloom {

struct RelativeRotation {
    size_t a = 0, b = 0;
    Rotation a_from_b;  ///< d_a = a_from_b d_b
    double weight = 1;
};

/// Improves `rotations`, which must be near already (as along a tree), so that they agree with the
/// relative ones; those that miss by much more than `scale_rad` hardly count.
void average_rotations(std::span<const RelativeRotation> links, double scale_rad, int rounds,
                       std::vector<Rotation>& rotations);

}  // namespace broadloom
