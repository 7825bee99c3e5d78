#include "broadloom/rotation.hpp"

namespace broadloom {

namespace {

struct SinCos {
    double sin, cos;
};

// The angle is first brought into one turn in degrees, where that is exact; a yaw of 720.25 then
// gives the same bits as one of 0.25.
SinCos sin_cos_deg(double deg) {
    const double rad = std::remainder(deg, 360.0) * kRadPerDeg;
    return {std::sin(rad), std::cos(rad)};
}

}  // namespace

Rotation Rotation::from_yaw_pitch_roll_deg(double yaw_deg, double pitch_deg, double roll_deg) {
    const SinCos y = sin_cos_deg(yaw_deg);
    const SinCos p = sin_cos_deg(pitch_deg);
    const SinCos r = sin_cos_deg(roll_deg);
    // Ry(yaw) Rx(pitch), its columns then turned by Rz(roll).
    const double a[3][3] = {{y.cos, y.sin * p.sin, y.sin * p.cos},
                            {0, p.cos, -p.sin},
                            {-y.sin, y.cos * p.sin, y.cos * p.cos}};
    Rotation out;
    for (size_t i = 0; i < 3; ++i) {
        out.m[i] = {a[i][0] * r.cos + a[i][1] * r.sin, a[i][1] * r.cos - a[i][0] * r.sin, a[i][2]};
    }
    return out;
}

}  // namespace broadloom
