#include "support/world_places.hpp"

#include <array>

#include "support/world_noise.hpp"
#include "support/world_scenery.hpp"

namespace broadloom::test {

namespace {

constexpr Vec3 kIron{0.030, 0.042, 0.040};
constexpr Vec3 kRope{0.075, 0.062, 0.048};
constexpr Vec3 kSpar{0.30, 0.19, 0.085};

constexpr std::array<const char*, 17> kShops{
    "TIDEGLASS CAFE",  "OSKELD BOOKS",  "NETTLE & RYE", "HALVEREN BAKERY", "SALT LOFT",
    "BRIMLE TEA",      "LANTERN INN",   "QUILL & OAR",  "CORMLY FISH",     "TINDLE HARDWARE",
    "VELLAM PHARMACY", "KNOT & SPLICE", "OLD CUSTOMS",  "MARROWBY WOOL",   "THE BLUE HERON",
    "PEBBLE TOYS",     "CHARTROOM"};
constexpr std::array<const char*, 9> kBoats{"PUFFLE",   "TWO HERONS",  "MARROWBY",
                                            "OONA",     "SKERRY LASS", "WINDLE",
                                            "PERIWINK", "GREY TERN",   "LULLABY"};

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

void add_lamp(Model& m, Vec3 foot, double height) {
    const Vec3 top = foot + Vec3{0, height, 0};
    m.cone(foot, 0.13, foot + Vec3{0, 0.9, 0}, 0.09, Surface3::metal, kIron);
    m.cone(foot + Vec3{0, 0.9, 0}, 0.06, top, 0.045, Surface3::metal, kIron);
    m.cone(top, 0.12, top + Vec3{0, 0.45, 0}, 0.20, Surface3::glass, {0.55, 0.55, 0.50});
    m.cone(top + Vec3{0, 0.45, 0}, 0.25, top + Vec3{0, 0.72, 0}, 0.03, Surface3::metal, kIron);
    m.ball(top + Vec3{0, 0.76, 0}, 0.05, Surface3::metal, kIron);
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

void add_tall_ship(Model& m) {
    Dice dice(2);
    const Place q = place_at(2, 64, 0).turned(-6);
    const double deck = 4.0;
    Primitive& hull = m.hull(q, 46, deck, 8.4, false, Surface3::ship_hull, {0.020, 0.028, 0.027});
    hull.text = "MERROWIND";
    for (const double x : {-17.0, -3.5, 8.5}) {
        m.box(q.moved(x, deck, 0), 5.5, 1.9, 4, Surface3::planks, {0.25, 0.135, 0.06});
        m.box(q.moved(x, deck + 1.9, 0), 5.9, 0.16, 4.4, Surface3::plain, {0.62, 0.60, 0.54});
        for (const double w : {-1.6, 0.0, 1.6})
            m.box(q.moved(x + w, deck + 0.85, -2), 0.55, 0.55, 0.1, Surface3::glass,
                  {0.04, 0.04, 0.045});
    }
    const auto rope = [&](Vec3 a, Vec3 b, double r) {
        m.cone(a, r, b, r, Surface3::rope, kRope).casts = r > 0.02;
    };
    const Vec3 sprit = q.at(33, deck + 4.6, 0);
    m.cone(q.at(13, deck - 1.8, 0), 0.34, sprit, 0.13, Surface3::plain, kSpar);
    const std::array<double, 3> at{13, -1.5, -15};
    const std::array<double, 3> tall{36, 39, 31};
    for (size_t i = 0; i < 3; ++i) {
        const double x = at[i];
        const double h = tall[i];
        m.cone(q.at(x, deck - 0.5, 0), 0.36, q.at(x, deck + 0.45 * h, 0), 0.29, Surface3::plain,
               {0.66, 0.62, 0.53});
        m.cone(q.at(x + 0.2, deck + 0.41 * h, 0), 0.22, q.at(x + 0.2, deck + 0.75 * h, 0), 0.16,
               Surface3::plain, kSpar);
        m.cone(q.at(x, deck + 0.71 * h, 0), 0.14, q.at(x, deck + h, 0), 0.06, Surface3::plain,
               kSpar);
        m.ball(q.at(x, deck + h, 0), 0.13, Surface3::plain, {0.6, 0.5, 0.2});
        m.box(q.moved(x, deck + 0.43 * h, 0), 1.9, 0.12, 2.2, Surface3::plain, kSpar);
        m.box(q.moved(x, deck + 0.73 * h, 0), 1.2, 0.10, 1.4, Surface3::plain, kSpar);
        if (i < 2) {
            const Place brace = q.turned(38);
            const Vec3 along = brace.u;
            const std::array<double, 5> levels{0.33, 0.47, 0.60, 0.76, 0.89};
            const std::array<double, 5> halves{9.5, 8.7, 7.6, 6.0, 4.4};
            for (size_t k = 0; k < 5; ++k) {
                const Vec3 middle = q.at(x, deck + levels[k] * h, 0) - 0.5 * q.w;
                const double half = halves[k];
                for (const double s : {-1.0, 1.0}) {
                    m.cone(middle, 0.17 - 0.015 * static_cast<double>(k),
                           middle + (s * half) * along, 0.07, Surface3::plain, kSpar);
                    // The furled sail, in bundles between its ties.
                    for (int b = 0; b < 7; ++b) {
                        const double from = half * (0.02 + 0.13 * b);
                        const double fat = (0.36 - 0.025 * b) *
                                           (1 - 0.09 * static_cast<double>(k)) *
                                           dice.between(0.85, 1.1);
                        const Vec3 up{0, 0.26, 0};
                        m.cone(middle + up + (s * from) * along, fat,
                               middle + up + (s * (from + 0.125 * half)) * along, fat * 0.93,
                               Surface3::canvas, {0.60, 0.55, 0.44});
                    }
                    rope(middle + (s * half) * along,
                         q.at(x, deck + std::min(0.97, levels[k] + 0.14) * h, 0), 0.016);
                    rope(middle + (s * half) * along, q.at(x - 12, deck + levels[k] * h * 0.55, 0),
                         0.012);
                }
            }
        } else {
            m.cone(q.at(x - 0.3, deck + 3, 0), 0.16, q.at(x - 12, deck + 4.6, 0), 0.10,
                   Surface3::plain, kSpar);
            m.cone(q.at(x - 0.3, deck + 0.42 * h, 0), 0.12, q.at(x - 8.5, deck + 0.66 * h, 0), 0.07,
                   Surface3::plain, kSpar);
            m.cone(q.at(x - 0.5, deck + 3.6, 0), 0.42, q.at(x - 10, deck + 4.8, 0), 0.25,
                   Surface3::canvas, {0.60, 0.55, 0.44});
        }
        for (const double side : {-1.0, 1.0}) {  // shrouds and the rungs between them
            const Vec3 head = q.at(x, deck + 0.43 * h, side * 0.9);
            std::array<Vec3, 6> feet;
            for (size_t k = 0; k < 6; ++k) {
                feet[k] = q.at(x - 3.4 + 1.05 * static_cast<double>(k), deck, side * 4.0);
                rope(feet[k], head, 0.022);
            }
            for (double t = 0.03; t < 0.94; t += 0.034)
                rope(lerp(feet[0], head, t), lerp(feet[5], head, t), 0.011);
            for (const double y : {0.73, 0.96}) {
                rope(q.at(x - 3.6, deck, side * 4.0), q.at(x, deck + y * h, 0), 0.016);
                rope(q.at(x - 4.4, deck, side * 4.0), q.at(x, deck + y * h, 0), 0.016);
            }
            for (const double k : {-1.0, 0.0, 1.0})
                rope(q.at(x + 0.6 * k, deck + 0.43 * h, side * 1.1),
                     q.at(x, deck + 0.73 * h, side * 0.3), 0.015);
        }
    }
    for (size_t i = 0; i < 2; ++i) {  // stays
        for (const double y : {0.43, 0.73, 0.96}) {
            rope(q.at(at[i + 1], deck + y * tall[i + 1], 0),
                 q.at(at[i], deck + (y - 0.36) * tall[i], 0), 0.018);
        }
    }
    for (const double y : {0.43, 0.60, 0.73, 0.86, 0.96})
        rope(q.at(at[0], deck + y * tall[0], 0), lerp(q.at(21, deck + 0.8, 0), sprit, y), 0.018);
    rope(sprit, q.at(22.6, 0.6, 0), 0.02);
    for (double x = -21.5; x < 19; x += 1.0)
        m.cone(q.at(x, deck, -4.0), 0.045, q.at(x, deck + 0.95, -4.0), 0.04, Surface3::plain,
               {0.62, 0.60, 0.54});
    m.cone(q.at(-22, deck + 0.95, -4.0), 0.06, q.at(19, deck + 0.95, -4.0), 0.06, Surface3::plain,
           {0.34, 0.21, 0.10});
    m.cone(q.at(-22.2, deck, 0), 0.05, q.at(-22.9, deck + 4.2, 0), 0.035, Surface3::plain, kSpar);
    m.box(q.moved(-23.95, deck + 2.8, 0), 2.3, 1.2, 0.04, Surface3::awning, {0.05, 0.10, 0.24});
}

void add_boats(Model& m) {
    Dice dice(3);
    size_t name = 0;
    const std::array<Vec3, 6> colours{{{0.66, 0.65, 0.62},
                                       {0.03, 0.07, 0.17},
                                       {0.30, 0.045, 0.035},
                                       {0.05, 0.15, 0.12},
                                       {0.62, 0.56, 0.40},
                                       {0.12, 0.27, 0.36}}};
    const std::array<Vec2, 17> moorings{{{-52, 66},
                                         {-44, 78},
                                         {-37, 60},
                                         {-31, 84},
                                         {-27, 66},
                                         {-47, 92},
                                         {-36, 104},
                                         {-22, 98},
                                         {-10, 108},
                                         {4, 112},
                                         {12, 101},
                                         {18, 116},
                                         {22, 84},
                                         {26, 128},
                                         {44, 118},
                                         {52, 88},
                                         {57, 132}}};
    for (const Vec2& at : moorings) {
        const Place q = place_at(at.x, at.y, 0).turned(dice.between(-32, 32));
        const double length = dice.between(6.5, 10.5);
        const bool left = dice.unit() < 0.5;
        const double bow = left ? -1 : 1;
        const Vec3 colour = colours[static_cast<size_t>(dice.below(6))];
        Primitive& hull = m.hull(q, length, 1.05, 0.30 * length, left, Surface3::hull, colour);
        hull.accent = colour.x > 0.5 ? Vec3{0.04, 0.10, 0.25} : Vec3{0.70, 0.68, 0.62};
        hull.text = kBoats[name++ % kBoats.size()];
        const bool sails = dice.unit() < 0.65;
        m.box(q.moved(-bow * 0.06 * length, 1.05, 0), 0.34 * length, 0.62, 0.17 * length,
              Surface3::plain, {0.64, 0.62, 0.56});
        for (const double x : {-0.11, 0.0, 0.11})
            m.box(q.moved((x - bow * 0.06) * length, 1.25, -0.086 * length), 0.55, 0.24, 0.03,
                  Surface3::glass, {0.03, 0.03, 0.035});
        if (sails) {
            const double h = 1.25 * length;
            const double x = bow * 0.10 * length;
            m.cone(q.at(x, 1, 0), 0.085, q.at(x, 1 + h, 0), 0.055, Surface3::metal,
                   {0.52, 0.52, 0.52});
            m.cone(q.at(x, 2.2, 0), 0.06, q.at(x - bow * 0.42 * length, 2.3, 0), 0.05,
                   Surface3::metal, {0.5, 0.5, 0.5});
            m.cone(q.at(x - bow * 0.1, 2.42, 0), 0.20, q.at(x - bow * 0.40 * length, 2.42, 0), 0.13,
                   Surface3::canvas,
                   dice.unit() < 0.5 ? Vec3{0.05, 0.09, 0.22} : Vec3{0.55, 0.50, 0.42});
            for (const double z : {-0.14, 0.14}) {
                m.cone(q.at(x, 1 + 0.97 * h, 0), 0.018, q.at(x - 0.2 * bow, 1, z * length), 0.018,
                       Surface3::rope, {0.28, 0.28, 0.28});
                m.cone(q.at(x, 1 + 0.6 * h, z * 3), 0.02, q.at(x, 1 + 0.6 * h, 0), 0.02,
                       Surface3::metal, {0.5, 0.5, 0.5});
            }
            m.cone(q.at(x, 1 + 0.97 * h, 0), 0.018, q.at(bow * 0.49 * length, 1.1, 0), 0.018,
                   Surface3::rope, {0.28, 0.28, 0.28});
            m.cone(q.at(x, 1 + 0.97 * h, 0), 0.018, q.at(-bow * 0.49 * length, 1.1, 0), 0.018,
                   Surface3::rope, {0.28, 0.28, 0.28});
        } else {
            m.box(q.moved(bow * 0.05 * length, 1.6, 0), 0.2 * length, 1.3, 0.18 * length,
                  Surface3::plain, {0.66, 0.64, 0.58});
            m.box(q.moved(bow * 0.05 * length, 2.15, 0), 0.205 * length, 0.5, 0.17 * length,
                  Surface3::glass, {0.03, 0.035, 0.04});
            m.box(q.moved(bow * 0.05 * length, 2.9, 0), 0.24 * length, 0.1, 0.22 * length,
                  Surface3::plain, hull.accent);
            m.cone(q.at(0, 3, 0), 0.04, q.at(0, 5.2, 0), 0.03, Surface3::metal, {0.5, 0.5, 0.5});
        }
        m.ball(place_at(at.x + 2.6, at.y - 4, 0.1).origin, 0.38, Surface3::plain,
               dice.unit() < 0.5 ? Vec3{0.62, 0.16, 0.03} : Vec3{0.65, 0.62, 0.55});
    }
}

void add_ropeworks(Model& m) {
    Dice dice(4);
    const Place q = place_at(37, 70, 0).turned(4);
    m.box(q.moved(0, 0, 0), 33, 2.0, 20, Surface3::stone, {0.30, 0.28, 0.25});
    const Place w = q.moved(1, 2, 1.5);
    m.box(w, 25, 9.3, 12, Surface3::brick, {0.265, 0.105, 0.068}).accent = {0.03, 0.10, 0.085};
    m.roof(w.moved(0, 9.3, 0), 25.8, 5.2, 13, false, Surface3::tiles, {0.255, 0.105, 0.063})
        .accent = {0.26, 0.11, 0.07};
    Primitive& name =
        m.box(w.moved(0, 5.47, -6.03), 18, 0.92, 0.1, Surface3::sign, {0.66, 0.62, 0.50});
    name.text = "ULVERSTRAND ROPEWORKS";
    name.accent = {0.035, 0.05, 0.075};
    for (const double x : {-8.0, 8.0}) {
        m.box(w.moved(x, 9.3 + 1.5, -1), 1.2, 5.0, 1.0, Surface3::brick, {0.32, 0.13, 0.085})
            .width = 0;
    }
    m.cone(w.at(12.0, 9.2, -6.2), 0.09, w.at(12.0, 0, -6.2), 0.09, Surface3::metal, kIron);
    for (int i = 0; i < 13; ++i) {  // crates and coils on the pier
        const double x = -15.5 + 2.35 * i + dice.between(-0.4, 0.4);
        const double s = dice.between(0.9, 1.4);
        if (i % 3 == 2) {
            const Vec3 c = q.at(x, 2, -8.0);
            for (int k = 0; k < 4; ++k)
                m.cone(c + Vec3{0, 0.16 * k, 0}, 0.75 - 0.05 * k, c + Vec3{0, 0.16 * k + 0.15, 0},
                       0.72 - 0.05 * k, Surface3::rope, (0.8 + 0.1 * k) * Vec3{0.40, 0.31, 0.17});
            continue;
        }
        const Place c = q.moved(x, 2, -7.6).turned(dice.between(-20, 20));
        m.box(c, s, s * 0.8, s, Surface3::crate, {0.40, 0.28, 0.15});
        if (i % 2 == 0)
            m.box(c.moved(0.1, s * 0.8, 0).turned(9), s * 0.75, s * 0.6, s * 0.75, Surface3::crate,
                  {0.34, 0.25, 0.15});
    }
    for (double x = -16.3; x < 16.5; x += 1.5) {
        m.cone(q.at(x, 2, -9.85), 0.05, q.at(x, 3.05, -9.85), 0.045, Surface3::metal, kIron);
        m.cone(q.at(x, -1, -10.3), 0.17, q.at(x, 1.9, -10.2), 0.16, Surface3::bark,
               {0.12, 0.10, 0.075});
    }
    for (const double y : {2.5, 3.02})
        m.cone(q.at(-16.3, y, -9.85), 0.028, q.at(16.4, y, -9.85), 0.028, Surface3::metal, kIron);
    // A derrick.
    m.cone(q.at(-14.2, 2, -5.5), 0.20, q.at(-14.2, 13, -5.5), 0.14, Surface3::metal,
           {0.20, 0.045, 0.035});
    m.cone(q.at(-14.2, 3, -5.5), 0.13, q.at(-21.0, 12.5, -7.5), 0.09, Surface3::metal,
           {0.20, 0.045, 0.035});
    m.cone(q.at(-14.2, 13, -5.5), 0.02, q.at(-21.0, 12.5, -7.5), 0.02, Surface3::rope, kRope);
    m.cone(q.at(-21.0, 12.5, -7.5), 0.02, q.at(-21.0, 4.0, -7.5), 0.02, Surface3::rope, kRope);
    m.ball(q.at(-21.0, 3.9, -7.5), 0.24, Surface3::metal, {0.4, 0.3, 0.05});
    for (int i = 0; i < 4; ++i) {  // bushes at the gable
        m.leaves(w.at(14.1 + 0.5 * (i % 2), 0.8, -4 + 2.6 * i), 1.3, 0.16, {0.09, 0.13, 0.03});
    }
}

void add_lighthouse(Model& m) {
    for (double az = 33; az < 54; az += 3) {
        m.box(place_at(az + 1.5, 176, 0), 3.04 * kRadPerDeg * 178, 4.2, 6, Surface3::stone,
              {0.30, 0.29, 0.27});
        m.box(place_at(az + 1.5, 178, 4.2), 3.04 * kRadPerDeg * 180, 1.1, 1.2, Surface3::stone,
              {0.33, 0.32, 0.29});
    }
    Dice dice(5);
    for (int i = 0; i < 240; ++i) {  // rocks at its foot
        const double az = dice.between(32, 56.5);
        const double r = dice.between(0.7, 1.9);
        const double rho = dice.between(169.5, 172.8);
        const Place q = place_at(az, rho, -0.4).turned(dice.between(-60, 60));
        m.pyramid(q, 2 * r, 1.5 * r + (rho - 169.5) * 0.4, 2 * r, Surface3::stone,
                  (0.7 + 0.5 * dice.unit()) * Vec3{0.24, 0.225, 0.20});
    }
    const Place q = place_at(53.2, 177, 0);
    m.cone(q.at(0, -1, 0), 8.0, q.at(0, 5.2, 0), 7.0, Surface3::plain, {0.28, 0.265, 0.24});
    m.cone(q.at(0, 5, 0), 3.7, q.at(0, 33, 0), 2.35, Surface3::lighthouse, {0.7, 0.7, 0.68});
    m.cone(q.at(0, 32.2, 0), 2.4, q.at(0, 33.4, 0), 3.3, Surface3::plain, {0.66, 0.64, 0.60});
    m.cone(q.at(0, 33.4, 0), 3.35, q.at(0, 33.65, 0), 3.35, Surface3::plain, {0.05, 0.05, 0.05});
    m.cone(q.at(0, 33.4, 0), 1.7, q.at(0, 34.6, 0), 1.7, Surface3::plain, {0.66, 0.64, 0.60});
    m.cone(q.at(0, 34.6, 0), 1.6, q.at(0, 37.2, 0), 1.6, Surface3::glass, {0.20, 0.23, 0.20});
    m.cone(q.at(0, 37.2, 0), 2.0, q.at(0, 39.0, 0), 0.25, Surface3::plain, {0.36, 0.05, 0.04});
    m.ball(q.at(0, 39.2, 0), 0.42, Surface3::plain, {0.36, 0.05, 0.04});
    m.cone(q.at(0, 39, 0), 0.06, q.at(0, 42, 0), 0.03, Surface3::metal, kIron);
    for (int i = 0; i < 24; ++i) {
        const double a = i * 2 * kPi / 24;
        const double b = a + 2 * kPi / 24;
        const auto at = [&](double t, double r, double y) {
            return q.at(r * std::sin(t), y, r * std::cos(t));
        };
        m.cone(at(a, 3.2, 33.6), 0.04, at(a, 3.2, 34.75), 0.04, Surface3::metal, kIron);
        for (const double y : {34.15, 34.75})
            m.cone(at(a, 3.2, y), 0.035, at(b, 3.2, y), 0.035, Surface3::metal, kIron);
        if (i % 2 == 0)
            m.cone(at(a, 1.62, 34.6), 0.05, at(a, 1.62, 37.2), 0.05, Surface3::metal,
                   {0.36, 0.05, 0.04});
    }
    m.box(q.moved(-9, 4.2, 1), 7, 3.4, 5, Surface3::plaster, {0.68, 0.66, 0.62}).accent = {
        0.2, 0.04, 0.03};
    m.roof(q.moved(-9, 7.6, 1), 7.6, 2.2, 5.8, false, Surface3::slate, {0.13, 0.14, 0.15})
        .accent = {0.66, 0.64, 0.6};
}

void add_promenade(Model& m) {
    Dice dice(6);
    for (double az = -75; az < 75; az += 0.20) {
        const double rho = near_edge(az) - 0.3;
        const Vec3 foot = place_at(az, rho, kNearQuayHeight).origin;
        const int64_t n = static_cast<int64_t>(std::lround((az + 75) / 0.20));
        const bool post = n % 12 == 0;
        m.cone(foot, post ? 0.055 : 0.011, foot + Vec3{0, post ? 1.16 : 1.02, 0},
               post ? 0.05 : 0.011, Surface3::metal, kIron);
        if (!post) continue;
        m.ball(foot + Vec3{0, 1.20, 0}, 0.075, Surface3::metal, kIron);
        const Vec3 next = place_at(az + 2.4, near_edge(az + 2.4) - 0.3, kNearQuayHeight).origin;
        for (const double y : {0.12, 0.86, 1.03})
            m.cone(foot + Vec3{0, y, 0}, y > 1 ? 0.034 : 0.02, next + Vec3{0, y, 0},
                   y > 1 ? 0.034 : 0.02, Surface3::metal, kIron);
    }
    for (double az = -58; az < 64; az += 14.5)
        add_lamp(m, place_at(az, near_edge(az) - 1.4, kNearQuayHeight).origin, 4.6);
    for (double az = -51; az < 64; az += 14.5) {  // benches
        const Place q = place_at(az, near_edge(az) - 2.4, kNearQuayHeight);
        for (int i = 0; i < 4; ++i)
            m.box(q.moved(0, 0.44, -0.18 + 0.12 * i), 1.9, 0.05, 0.09, Surface3::planks,
                  {0.33, 0.19, 0.09});
        for (int i = 0; i < 3; ++i)
            m.box(q.moved(0, 0.56 + 0.13 * i, -0.27), 1.9, 0.09, 0.04, Surface3::planks,
                  {0.33, 0.19, 0.09});
        for (const double x : {-0.8, 0.8})
            m.box(q.moved(x, 0, 0), 0.07, 0.45, 0.45, Surface3::metal, kIron);
    }
    // A kiosk, stalls with striped roofs, notice boards.
    const Place kiosk = place_at(-17, 36.5, kNearQuayHeight).turned(-6);
    m.box(kiosk, 4.2, 2.7, 2.8, Surface3::timber, {0.045, 0.13, 0.115}).width = 0;
    m.roof(kiosk.moved(0, 2.7, 0), 4.9, 1.1, 3.6, false, Surface3::slate, {0.16, 0.165, 0.17})
        .accent = {0.05, 0.13, 0.115};
    Primitive& board =
        m.box(kiosk.moved(0, 2.15, -1.45), 3.9, 0.55, 0.08, Surface3::sign, {0.62, 0.55, 0.36});
    board.text = "FERRY TICKETS";
    board.accent = {0.03, 0.08, 0.075};
    m.box(kiosk.moved(-0.6, 1.0, -1.41), 2.2, 1.0, 0.06, Surface3::glass, {0.03, 0.032, 0.035});
    const std::array<const char*, 4> wares{"FRESH EELS", "PLUMS & PEARS", "WAFFLES", "KNOTS"};
    const std::array<double, 4> places{7, 20, 31, -33};
    for (size_t i = 0; i < 4; ++i) {
        const Place q =
            place_at(places[i], 35.2 + 0.9 * static_cast<double>(i % 2), kNearQuayHeight)
                .turned(dice.between(-9, 9));
        m.box(q, 3.2, 0.95, 1.2, Surface3::planks, {0.42, 0.30, 0.17});
        for (const double x : {-1.7, 1.7}) {
            for (const double z : {-0.9, 0.9})
                m.cone(q.at(x, 0, z), 0.035, q.at(x, 2.4, z), 0.035, Surface3::plain,
                       {0.5, 0.48, 0.42});
        }
        m.roof(q.moved(0, 2.3, 0), 3.9, 0.8, 2.6, false, Surface3::awning, 3.0 * paint_colour(dice))
            .accent = {0.7, 0.7, 0.65};
        Primitive& s =
            m.box(q.moved(0, 1.85, -1.22), 3.0, 0.42, 0.05, Surface3::sign, {0.68, 0.65, 0.56});
        s.text = wares[i];
        s.accent = {0.22, 0.035, 0.03};
        for (int k = 0; k < 26; ++k) {
            const Vec3 at = q.at(-1.4 + 0.112 * k, 1.03, dice.between(-0.45, 0.35));
            m.ball(at, dice.between(0.07, 0.11), Surface3::plain,
                   k < 13 ? Vec3{0.36, 0.10, 0.16} : Vec3{0.42, 0.46, 0.10});
        }
    }
    Primitive& town = m.box(place_at(44, 38.5, kNearQuayHeight + 1.1), 5.2, 1.15, 0.10,
                            Surface3::sign, {0.035, 0.07, 0.13});
    town.text = "PORT OF VELLAMSUND";
    town.accent = {0.70, 0.67, 0.58};
    for (const double a : {41.0, 47.0}) {
        const Vec3 foot = place_at(a, 38.7, kNearQuayHeight).origin;
        m.cone(foot, 0.06, foot + Vec3{0, 2.5, 0}, 0.06, Surface3::metal, kIron);
    }
    for (const double az : {-26.0, -6.0, 14.0, 37.5, 56.0}) {  // planted tubs
        const Vec3 foot = place_at(az, near_edge(az) - 4.6, kNearQuayHeight).origin;
        m.cone(foot, 0.55, foot + Vec3{0, 0.7, 0}, 0.68, Surface3::plain, {0.34, 0.20, 0.13});
        for (int i = 0; i < 3; ++i)
            m.leaves(foot + Vec3{0.28 * (i - 1), 1.05 + 0.2 * (i % 2), 0}, 0.62, 0.055,
                     {0.10, 0.14, 0.035});
    }
    // Two plane trees on the left, a younger one on the right.
    const auto big_tree = [&](double az, double rho, double height, double crown, int blobs) {
        const Vec3 foot = place_at(az, rho, kNearQuayHeight).origin;
        const Vec3 fork = foot + Vec3{0, 0.36 * height, 0};
        m.cone(foot, 0.45, fork, 0.30, Surface3::bark, {0.20, 0.175, 0.13});
        for (int i = 0; i < blobs; ++i) {
            const double turn = i * 2.399963;
            const double y = lerp(0.40, 0.93, (i + 0.5) / blobs);
            const double out = crown *
                               std::sqrt(std::max(0.0, 1 - std::pow((y - 0.62) / 0.40, 2.0))) *
                               dice.between(0.35, 0.95);
            const Vec3 c = foot + Vec3{out * std::cos(turn), y * height, out * std::sin(turn)};
            m.cone(fork, 0.15, c, 0.04, Surface3::bark, {0.17, 0.145, 0.105});
            m.leaves(c, crown * dice.between(0.26, 0.42), 0.11,
                     (0.85 + 0.35 * dice.unit()) * Vec3{0.105, 0.150, 0.034});
        }
    };
    big_tree(-57, 36, 25, 8.5, 40);
    big_tree(-40.5, 38.5, 17.5, 4.6, 24);
    big_tree(62, 37, 16, 5.0, 26);
}

}  // namespace broadloom::test
