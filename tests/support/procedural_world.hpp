/// A made-up harbour town as a function on the sphere of directions, with detail finer than a
/// frame's pixel: what every photograph of the sample set shows, known exactly.
#pragma once

#include "broadloom/rotation.hpp"
#include "support/world_model.hpp"

namespace broadloom::test {

class ProceduralWorld {
  public:
    /// The town as it always is.
    ProceduralWorld();
    /// A world of other things on the same ground; `model` not yet finished. What passes by is
    /// added to a model of its own for each moment.
    explicit ProceduralWorld(Model model);

    /// Linear light, sRGB primaries, 0..0.86, in a world direction (X right, Y down, Z forward; any
    /// length). Not filtered: average over a pixel. Full detail for azimuths within +-80 degrees.
    [[nodiscard]] Vec3 colour(Vec3 direction) const;

  private:
    [[nodiscard]] Vec3 light(bool mirrored, Vec3 direction) const;
    [[nodiscard]] Vec3 water(Vec3 direction, double azimuth_deg, double rho) const;
    [[nodiscard]] Vec3 lit(Vec3 albedo, Vec3 point, Vec3 normal, double sun,
                           const Primitive* self) const;

    Model model_;
};

/// The things of the town, to add to.
Model town_model();

}  // namespace broadloom::test
