#include <array>

#include "support/world_parts.hpp"
#include "support/world_places.hpp"
#include "support/world_scenery.hpp"

namespace broadloom::test {

namespace {

constexpr std::array<const char*, 17> kShops{
    "TIDEGLASS CAFE",  "OSKELD BOOKS",  "NETTLE & RYE", "HALVEREN BAKERY", "SALT LOFT",
    "BRIMLE TEA",      "LANTERN INN",   "QUILL & OAR",  "CORMLY FISH",     "TINDLE HARDWARE",
    "VELLAM PHARMACY", "KNOT & SPLICE", "OLD CUSTOMS",  "MARROWBY WOOL",   "THE BLUE HERON",
    "PEBBLE TOYS",     "CHARTROOM"};

Vec3 wall_colour(Dice& dice) {
    constexpr std::array<Vec3, 10> colours{{{0.66, 0.63, 0.56},
                                            {0.62, 0.50, 0.30},
                                            {0.52, 0.27, 0.17},
                                            {0.40, 0.50, 0.52},
                                            {0.68, 0.60, 0.44},
                                            {0.45, 0.18, 0.13},
                                            {0.60, 0.55, 0.50},
                                            {0.34, 0.42, 0.33},
                                            {0.65, 0.44, 0.33},
                                            {0.70, 0.68, 0.63}}};
    return (0.86 + 0.2 * dice.unit()) * colours[static_cast<size_t>(dice.below(10))];
}

void add_tree(Model& m, Vec3 foot, double height, double leaf, Dice& dice) {
    const double r = height * 0.33;
    const Vec3 green = lerp({0.050, 0.095, 0.022}, {0.125, 0.150, 0.035}, dice.unit());
    m.cone(foot, 0.035 * height, foot + Vec3{0, 0.6 * height, 0}, 0.015 * height, Surface3::bark,
           {0.11, 0.085, 0.06});
    for (int i = 0; i < 5; ++i) {
        const double turn = (i + dice.unit()) * 2 * kPi / 5;
        const double out = i == 4 ? 0 : 0.62 * r;
        const Vec3 c =
            foot + Vec3{out * std::cos(turn), height * (i == 4 ? 0.74 : dice.between(0.42, 0.62)),
                        out * std::sin(turn)};
        m.leaves(c, r * dice.between(0.62, 0.86), leaf, (0.85 + 0.3 * dice.unit()) * green);
    }
}

void add_house(Model& m, const Place& q, double width, double height, double depth,
               bool gable_front, const char* shop, Dice& dice) {
    const double kind = dice.unit();
    const Surface3 surface =
        kind < 0.62 ? Surface3::plaster : (kind < 0.82 ? Surface3::brick : Surface3::timber);
    const Vec3 colour = surface == Surface3::brick ? Vec3{0.26, 0.105, 0.068} : wall_colour(dice);
    Primitive& walls = m.box(q, width, height, depth, surface, colour);
    walls.accent = paint_colour(dice);
    if (shop != nullptr) walls.text = shop;
    const bool slate = dice.unit() < 0.3;
    const Vec3 cover = slate ? Vec3{0.12, 0.13, 0.145}
                             : lerp({0.285, 0.108, 0.060}, {0.215, 0.115, 0.080}, dice.unit());
    const double rise = (gable_front ? width : depth) * dice.between(0.40, 0.52);
    Primitive& roof = m.roof(q.moved(0, height, 0), width + (gable_front ? 0.7 : 0.12), rise,
                             depth + (gable_front ? 0.3 : 0.8), gable_front,
                             slate ? Surface3::slate : Surface3::tiles, cover);
    roof.accent = colour;
    roof.backing = surface;
    const double side = dice.unit() < 0.5 ? -0.32 : 0.30;
    const Place stack =
        q.moved(side * width, height + 0.3 * rise, gable_front ? 0.1 * depth : 0.08 * depth);
    m.box(stack, 0.75, 0.95 * rise + 0.5, 0.6, Surface3::brick, {0.30, 0.14, 0.09}).width = 0;
    for (const double x : {-0.18, 0.18}) {
        const Vec3 pot = stack.at(x, 0.95 * rise + 0.5, 0);
        m.cone(pot, 0.13, pot + Vec3{0, 0.55, 0}, 0.10, Surface3::plain, {0.36, 0.17, 0.10});
    }
    if (!gable_front && width > 7 && dice.unit() < 0.5) {  // dormers
        for (const double x : {-0.22, 0.2}) {
            const Place d = q.moved(x * width, height + 0.12 * rise, -0.27 * depth);
            Primitive& front = m.box(d, 1.5, 1.3, 2.4, Surface3::timber, colour);
            front.width = 0;
            front.colour = lerp(colour, {0.6, 0.6, 0.57}, 0.5);
            m.box(d.moved(0, 0.25, -1.17), 0.9, 0.9, 0.1, Surface3::glass, {0.03, 0.03, 0.035});
            m.box(d.moved(0, 0.25, -1.2), 0.06, 0.9, 0.1, Surface3::plain, {0.7, 0.7, 0.66});
            m.roof(d.moved(0, 1.3, 0), 1.8, 0.75, 2.7, true, Surface3::slate, cover).accent = {
                0.6, 0.6, 0.56};
        }
    }
}

}  // namespace

void add_town(Model& m) {
    Dice dice(1);
    // The row along the quay, wall to wall.
    size_t shop = 0;
    for (double az = -63; az < 17;) {
        const double rho = far_edge(az) + kFarQuayWidth + 4.5;
        const double width = dice.between(6.2, 10.5);
        const double step = width / rho * kDegPerRad;
        const double height = 0.6 + 2.95 * static_cast<double>(2 + dice.below(3));
        const bool gable = width < 8.4 && dice.unit() < 0.5;
        const char* text = dice.unit() < 0.85 ? kShops[shop++ % kShops.size()] : nullptr;
        const Place q =
            place_at(az + step / 2, rho, kFarQuayHeight).turned(dice.between(-1.5, 1.5));
        add_house(m, q, width, height, 9, gable, text, dice);
        if (text != nullptr && dice.unit() < 0.45) {
            Primitive& a = m.roof(q.moved(0, 2.25, -5.2), width * 0.8, 0.75, 2.6, false,
                                  Surface3::awning, 2.6 * paint_colour(dice));
            a.height = 0.75;
        }
        az += step * (dice.unit() < 0.08 ? 1.35 : 1.0);
    }
    // Terraces behind, looser the higher they lie, trees between them.
    for (int row = 1; row < 9; ++row) {
        for (double az = -63; az < 24;) {
            const double rho = far_edge(az) + kFarQuayWidth + 22 * row + dice.between(-6, 6);
            const double width = dice.between(7, 12.5);
            const double step = width / rho * kDegPerRad;
            const double y = land_height(az, rho) - 0.6;
            const bool town = dice.unit() < 0.80 - 0.065 * row - (az > 12 ? 0.3 : 0.0);
            const bool church = row == 3 && az > -27 && az < -17;
            if (town && !church) {
                const double height = 1.0 + 2.95 * static_cast<double>(1 + dice.below(3));
                add_house(m, place_at(az + step / 2, rho, y).turned(dice.between(-16, 16)), width,
                          height, dice.between(7, 10), dice.unit() < 0.35, nullptr, dice);
            } else if (!church) {
                const int trees = static_cast<int>(1 + dice.below(3));
                for (int i = 0; i < trees; ++i) {
                    const double r = rho + dice.between(-5, 5);
                    add_tree(m,
                             place_at(az + step * dice.unit(), r, land_height(az, r) - 0.5).origin,
                             dice.between(6, 11.5), 0.42, dice);
                }
            }
            az += step * dice.between(1.05, 1.6);
        }
    }
    const double az = -22;
    const double rho = far_edge(az) + kFarQuayWidth + 66;
    const Place q = place_at(az, rho, land_height(az, rho) - 1).turned(18);
    m.box(q, 7, 24, 7, Surface3::clock, {0.58, 0.55, 0.49});
    for (const double x : {-1.2, 1.2})
        m.box(q.moved(x, 17.5, -3.48), 1.1, 3.4, 0.2, Surface3::plain, {0.03, 0.03, 0.03});
    m.box(q.moved(0, 24, 0), 7.7, 0.6, 7.7, Surface3::stone, {0.50, 0.48, 0.43});
    m.pyramid(q.moved(0, 24.6, 0), 7, 15, 7, Surface3::slate, {0.11, 0.19, 0.16});
    m.cone(q.at(0, 39, 0), 0.07, q.at(0, 42, 0), 0.03, Surface3::metal, {0.5, 0.38, 0.1});
    m.box(q.moved(13, 0, 2), 19, 9.5, 11, Surface3::plaster, {0.60, 0.57, 0.51});
    m.roof(q.moved(13, 9.5, 2), 19.4, 6.5, 12, false, Surface3::slate, {0.12, 0.13, 0.14})
        .accent = {0.6, 0.57, 0.51};
    for (double a = -60; a < 16; a += 3.3) {  // lamps and railing posts on the far quay
        add_lamp(m, place_at(a, far_edge(a) + 2.5, kFarQuayHeight).origin, 4.2);
    }
    for (double a = -62; a < 17; a += 0.55) {
        const Vec3 foot = place_at(a, far_edge(a) + 0.4, kFarQuayHeight).origin;
        const Vec3 next = place_at(a + 0.55, far_edge(a + 0.55) + 0.4, kFarQuayHeight).origin;
        m.cone(foot, 0.05, foot + Vec3{0, 1.05, 0}, 0.045, Surface3::metal, kIron);
        for (const double y : {0.55, 1.05})
            m.cone(foot + Vec3{0, y, 0}, 0.032, next + Vec3{0, y, 0}, 0.032, Surface3::metal,
                   kIron);
    }
}

}  // namespace broadloom::test
