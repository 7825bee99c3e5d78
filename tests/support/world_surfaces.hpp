/// How the solid things of the procedural world look: their colour before light, by surface.
#pragma once

#include "support/world_model.hpp"

namespace broadloom::test {

struct Finish {
    Vec3 albedo;
    double mirror = 0;              ///< share of the reflected surroundings, for panes and varnish
    double sun = 1;                 ///< share of sunlight that reaches it (recesses)
    double tilt_x = 0, tilt_y = 0;  ///< of a pane, so that panes reflect differently
};

Finish finish_of(const Hit& hit);

}  // namespace broadloom::test
