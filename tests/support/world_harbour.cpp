#include <array>

#include "support/world_parts.hpp"
#include "support/world_places.hpp"
#include "support/world_scenery.hpp"

namespace broadloom::test {

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
