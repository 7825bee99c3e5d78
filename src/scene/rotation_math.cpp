#include "scene/rotation_math.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom {

namespace {

/// I + a [v]x + b [v]x^2.
Matrix3 series(Vec3 v, double a, double b) {
    const double n2 = dot(v, v);
    return {{{1 + b * (v.x * v.x - n2), b * v.x * v.y - a * v.z, b * v.x * v.z + a * v.y},
             {b * v.x * v.y + a * v.z, 1 + b * (v.y * v.y - n2), b * v.y * v.z - a * v.x},
             {b * v.x * v.z - a * v.y, b * v.y * v.z + a * v.x, 1 + b * (v.z * v.z - n2)}}};
}

/// Below this angle two terms of the power series are exact to rounding.
constexpr double kSmallAngle = 1e-4;

}  // namespace

Rotation rotation_exp(Vec3 v) {
    const double angle = norm(v);
    Rotation out;
    if (angle < kSmallAngle) {
        out.m = series(v, 1 - angle * angle / 6, 0.5 - angle * angle / 24);
    } else {
        const double half = std::sin(angle / 2);
        out.m = series(v, std::sin(angle) / angle, 2 * half * half / (angle * angle));
    }
    return out;
}

Vec3 rotation_log(const Rotation& r) {
    const Vec3 twice_sine{r.m[2][1] - r.m[1][2], r.m[0][2] - r.m[2][0], r.m[1][0] - r.m[0][1]};
    const double sine = norm(twice_sine) / 2;
    const double cosine = (r.m[0][0] + r.m[1][1] + r.m[2][2] - 1) / 2;
    const double angle = std::atan2(sine, cosine);
    if (cosine > -0.999) {
        const double factor = angle < kSmallAngle ? 0.5 + angle * angle / 12 : angle / (2 * sine);
        return factor * twice_sine;
    }
    // Near half a turn the antisymmetric part vanishes; the axis is the largest column of R + I.
    size_t best = 0;
    for (size_t j = 1; j < 3; ++j) {
        if (r.m[j][j] > r.m[best][best]) best = j;
    }
    Vec3 axis{r.m[0][best] + r.m[best][0], r.m[1][best] + r.m[best][1],
              r.m[2][best] + r.m[best][2]};
    (best == 0 ? axis.x : best == 1 ? axis.y : axis.z) += 1 - (r.m[0][0] + r.m[1][1] + r.m[2][2]);
    axis = normalized(axis);
    if (dot(axis, twice_sine) < 0) axis = -1.0 * axis;
    return angle * axis;
}

double rotation_angle(const Rotation& r) { return norm(rotation_log(r)); }

Matrix3 left_jacobian(Vec3 v) {
    const double angle = norm(v);
    const double n2 = angle * angle;
    if (angle < kSmallAngle) return series(v, 0.5 - n2 / 24, 1.0 / 6 - n2 / 120);
    return series(v, (1 - std::cos(angle)) / n2, (angle - std::sin(angle)) / (n2 * angle));
}

Matrix3 inverse_left_jacobian(Vec3 v) {
    const double angle = norm(v);
    if (angle < kSmallAngle) return series(v, -0.5, 1.0 / 12);
    const double half = angle / 2;
    return series(v, -0.5, (1 - half / std::tan(half)) / (angle * angle));
}

Rotation orthonormalised(const Rotation& r) {
    // One step of Newton's iteration for the polar decomposition, R (3 - R^T R) / 2; the input is
    // off by rounding only, so that one step is exact.
    Rotation out;
    const Rotation gram = r.inverse() * r;
    Rotation half;
    for (size_t i = 0; i < 3; ++i) {
        for (size_t j = 0; j < 3; ++j) half.m[i][j] = ((i == j ? 3.0 : 0.0) - gram.m[i][j]) / 2;
    }
    out = r * half;
    return out;
}

Rotation median_rotation(std::span<const Rotation> rotations) {
    // Starts from the member with the least sum of angles: no wrong member can draw it away.
    size_t best = 0;
    double least = 1e300;
    const size_t step = std::max<size_t>(1, rotations.size() / 60);
    for (size_t i = 0; i < rotations.size(); i += step) {
        double sum = 0;
        for (const Rotation& other : rotations) {
            sum += rotation_angle(rotations[i].inverse() * other);
        }
        if (sum < least) {
            least = sum;
            best = i;
        }
    }
    Rotation middle = rotations[best];
    for (int round = 0; round < 30; ++round) {
        Vec3 sum;
        double weights = 0;
        for (const Rotation& other : rotations) {
            const Vec3 off = rotation_log(other * middle.inverse());
            const double weight = 1 / std::max(norm(off), 1e-6);
            sum = sum + weight * off;
            weights += weight;
        }
        const Vec3 move = (1 / weights) * sum;
        middle = orthonormalised(rotation_exp(move) * middle);
        if (norm(move) < 1e-10) break;
    }
    return middle;
}

}  // namespace broadloom
