#include "support/world_parts.hpp"

#include <array>

namespace broadloom::test {

Vec3 paint_colour(Dice& dice) {
    constexpr std::array<Vec3, 7> colours{{{0.035, 0.095, 0.075},
                                           {0.035, 0.065, 0.14},
                                           {0.20, 0.035, 0.03},
                                           {0.10, 0.05, 0.025},
                                           {0.05, 0.05, 0.055},
                                           {0.13, 0.15, 0.07},
                                           {0.16, 0.055, 0.09}}};
    return colours[static_cast<size_t>(dice.below(7))];
}

void add_lamp(Model& m, Vec3 foot, double height) {
    const Vec3 top = foot + Vec3{0, height, 0};
    m.cone(foot, 0.13, foot + Vec3{0, 0.9, 0}, 0.09, Surface3::metal, kIron);
    m.cone(foot + Vec3{0, 0.9, 0}, 0.06, top, 0.045, Surface3::metal, kIron);
    m.cone(top, 0.12, top + Vec3{0, 0.45, 0}, 0.20, Surface3::glass, {0.55, 0.55, 0.50});
    m.cone(top + Vec3{0, 0.45, 0}, 0.25, top + Vec3{0, 0.72, 0}, 0.03, Surface3::metal, kIron);
    m.ball(top + Vec3{0, 0.76, 0}, 0.05, Surface3::metal, kIron);
}

}  // namespace broadloom::test
