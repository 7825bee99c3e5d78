/// What the makers of the harbour town share.
#pragma once

#include "support/world_model.hpp"
#include "support/world_noise.hpp"

namespace broadloom::test {

inline constexpr Vec3 kIron{0.030, 0.042, 0.040};
inline constexpr Vec3 kRope{0.075, 0.062, 0.048};
inline constexpr Vec3 kSpar{0.30, 0.19, 0.085};

/// Random choices for one maker, counted along.
class Dice {
  public:
    explicit Dice(int64_t seed) : seed_(seed) {}
    double unit() { return random_unit(++n_, seed_, 9001); }
    double between(double a, double b) { return lerp(a, b, unit()); }
    int64_t below(int64_t n) { return floor_of(unit() * static_cast<double>(n)); }

  private:
    int64_t seed_, n_ = 0;
};

/// Of doors, shop fronts and awnings.
Vec3 paint_colour(Dice& dice);
/// A street lamp.
void add_lamp(Model& m, Vec3 foot, double height);

}  // namespace broadloom::test
