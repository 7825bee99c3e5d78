/// Directions and rotations. World axes: X right, Y down, Z forward. Angles in degrees at the
/// edges, radians inside. A camera-space direction d_c becomes d = Ry(yaw) Rx(pitch) Rz(roll) d_c:
/// yaw turns to the right, pitch up, roll clockwise as the photographer sees it.
#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace broadloom {

inline constexpr double kPi = 3.14159265358979323846;
inline constexpr double kRadPerDeg = kPi / 180.0;
inline constexpr double kDegPerRad = 180.0 / kPi;

struct Vec2 {
    double x = 0, y = 0;
};

struct Vec3 {
    double x = 0, y = 0, z = 0;
    friend Vec3 operator+(Vec3 a, Vec3 b) { return {a.x + b.x, a.y + b.y, a.z + b.z}; }
    friend Vec3 operator-(Vec3 a, Vec3 b) { return {a.x - b.x, a.y - b.y, a.z - b.z}; }
    friend Vec3 operator*(double s, Vec3 a) { return {s * a.x, s * a.y, s * a.z}; }
};

inline double dot(Vec3 a, Vec3 b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
inline Vec3 cross(Vec3 a, Vec3 b) {
    return {a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x};
}
inline double norm(Vec3 a) { return std::sqrt(dot(a, a)); }
inline Vec3 normalized(Vec3 a) { return (1.0 / norm(a)) * a; }

/// The angle between two directions of any length, in radians, exact for small angles too.
inline double angle_between(Vec3 a, Vec3 b) { return std::atan2(norm(cross(a, b)), dot(a, b)); }

/// A 3x3 rotation, camera to world; rows in m.
struct Rotation {
    std::array<std::array<double, 3>, 3> m{{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}};

    static Rotation from_yaw_pitch_roll_deg(double yaw_deg, double pitch_deg, double roll_deg);

    [[nodiscard]] Vec3 to_world(Vec3 d) const {
        return {m[0][0] * d.x + m[0][1] * d.y + m[0][2] * d.z,
                m[1][0] * d.x + m[1][1] * d.y + m[1][2] * d.z,
                m[2][0] * d.x + m[2][1] * d.y + m[2][2] * d.z};
    }
    [[nodiscard]] Vec3 to_camera(Vec3 d) const {
        return {m[0][0] * d.x + m[1][0] * d.y + m[2][0] * d.z,
                m[0][1] * d.x + m[1][1] * d.y + m[2][1] * d.z,
                m[0][2] * d.x + m[1][2] * d.y + m[2][2] * d.z};
    }
    [[nodiscard]] Rotation inverse() const {
        Rotation r;
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j) r.m[i][j] = m[j][i];
        }
        return r;
    }
    /// a * b turns by b first.
    friend Rotation operator*(const Rotation& a, const Rotation& b) {
        Rotation r;
        for (size_t i = 0; i < 3; ++i) {
            for (size_t j = 0; j < 3; ++j) {
                r.m[i][j] = a.m[i][0] * b.m[0][j] + a.m[i][1] * b.m[1][j] + a.m[i][2] * b.m[2][j];
            }
        }
        return r;
    }
    /// Where the camera looks: its Z axis in the world.
    [[nodiscard]] Vec3 axis() const { return {m[0][2], m[1][2], m[2][2]}; }
};

}  // namespace broadloom
