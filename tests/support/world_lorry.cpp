#include "support/world_parts.hpp"
#include "support/world_places.hpp"

namespace broadloom::test {

namespace {

constexpr Vec3 kPaint{0.030, 0.115, 0.105};  // of cab and chassis
constexpr Vec3 kCream{0.66, 0.61, 0.47};     // of the body
constexpr Vec3 kTyre{0.020, 0.020, 0.021};
constexpr double kHalfWidth = 1.25;

/// Two tyres on one axle; the nearer one with its wall and hub.
void add_axle(Model& m, const Place& lorry, double x) {
    const auto ring = [&](double z0, double r0, double z1, double r1, Vec3 colour) {
        m.cone(lorry.at(x, 0.52, z0), r0, lorry.at(x, 0.52, z1), r1, Surface3::plain, colour);
    };
    ring(kHalfWidth - 0.36, 0.52, kHalfWidth, 0.52, kTyre);
    ring(-kHalfWidth + 0.36, 0.52, -kHalfWidth, 0.52, kTyre);
    ring(-kHalfWidth, 0.52, -kHalfWidth - 0.05, 0.30, 1.6 * kTyre);
    ring(-kHalfWidth - 0.05, 0.30, -kHalfWidth - 0.09, 0.11, kCream);
    ring(-kHalfWidth - 0.09, 0.11, -kHalfWidth - 0.14, 0.01, {0.20, 0.045, 0.035});
}

void add_cab(Model& m, const Place& cab) {
    m.box(cab.moved(0, 0.55, 0), 2.3, 1.35, 2 * kHalfWidth, Surface3::plain, kPaint);
    m.box(cab.moved(-0.1, 1.9, 0), 2.05, 1.05, 2 * kHalfWidth - 0.1, Surface3::plain, kPaint);
    m.box(cab.moved(0.1, 2.0, -kHalfWidth + 0.03), 1.15, 0.75, 0.06, Surface3::glass,
          {0.03, 0.035, 0.04});
    m.box(cab.moved(0.93, 2.0, 0), 0.06, 0.8, 2.0, Surface3::glass, {0.03, 0.035, 0.04});
    m.box(cab.moved(-0.2, 2.95, 0), 1.7, 0.5, 2.2, Surface3::plain, kCream);
    m.box(cab.moved(0, 0.55, -kHalfWidth - 0.01), 2.3, 0.28, 0.03, Surface3::plain, kCream);
    m.box(cab.moved(-0.2, 1.62, -kHalfWidth - 0.02), 0.26, 0.07, 0.05, Surface3::plain,
          {0.5, 0.5, 0.48});
    m.box(cab.moved(1.18, 0.55, 0), 0.12, 0.45, 2 * kHalfWidth, Surface3::plain, kCream);
    m.ball(cab.at(1.2, 1.15, -0.95), 0.17, Surface3::plain, {0.72, 0.70, 0.62});
    m.cone(cab.at(1.05, 2.0, -kHalfWidth - 0.22), 0.12, cab.at(1.05, 2.45, -kHalfWidth - 0.22),
           0.12, Surface3::plain, kTyre);
}

}  // namespace

void add_lorry(Model& m, const Place& lorry) {
    constexpr double kLength = 15.4;  // of the body behind the cab
    constexpr double kFloor = 1.05;
    constexpr double kHeight = 3.35;  // of the body
    const Place body = lorry.moved(-1.35, kFloor, 0);
    m.box(body, kLength, kHeight, 2 * kHalfWidth, Surface3::plain, kCream);
    for (int i = 0; i <= 14; ++i) {  // ribs across the roof
        m.box(body.moved(kLength * (i / 14.0 - 0.5) * 0.985, kHeight, 0), 0.10, 0.05,
              2 * kHalfWidth - 0.1, Surface3::plain, 0.82 * kCream);
    }
    // The livery: the firm's name on the side between two bands of paint.
    Primitive& side = m.box(body.moved(0, 0.62, -kHalfWidth - 0.03), kLength - 0.5, 2.15, 0.06,
                            Surface3::sign, kCream);
    side.text = "BRINDLEWICK & TARN REMOVALS";
    side.accent = {0.20, 0.040, 0.032};
    for (const double y : {0.06, 2.90}) {
        m.box(body.moved(0, y, -kHalfWidth - 0.02), kLength, 0.40, 0.04, Surface3::plain, kPaint);
    }
    m.box(lorry.moved(-0.4, 0.72, 0), kLength + 1.6, 0.33, 1.5, Surface3::plain, kTyre);
    m.box(lorry.moved(-0.6, 0.45, -kHalfWidth + 0.15), 4.6, 0.55, 0.1, Surface3::plain, kPaint);
    for (const double x : {-7.3, -5.95, -4.6, 4.3, 8.15}) add_axle(m, lorry, x);
    add_cab(m, lorry.moved(7.85, 0, 0));
}

}  // namespace broadloom::test
