#include <array>

#include "support/world_parts.hpp"
#include "support/world_places.hpp"

namespace broadloom::test {

namespace {

constexpr std::array<const char*, 9> kBoats{"PUFFLE",   "TWO HERONS",  "MARROWBY",
                                            "OONA",     "SKERRY LASS", "WINDLE",
                                            "PERIWINK", "GREY TERN",   "LULLABY"};

}  // namespace

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

}  // namespace broadloom::test
