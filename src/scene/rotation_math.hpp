/// Small rotations and their derivatives, as the solvers need them. Rotation vectors: axis times
/// angle in radians (J. Sola et al., "A micro Lie theory", 2018, section on SO(3)).
#pragma once

#include <array>
#include <span>

#include "broadloom/rotation.hpp"

namespace broadloom {

using Matrix3 = std::array<std::array<double, 3>, 3>;

/// The rotation about `v` by |v| radians.
Rotation rotation_exp(Vec3 v);

/// The vector of a rotation, |v| in [0, pi].
Vec3 rotation_log(const Rotation& r);

/// The angle of a rotation, radians, exact for small ones.
double rotation_angle(const Rotation& r);

/// exp(v + d) = exp(J d) exp(v) to first order in d.
Matrix3 left_jacobian(Vec3 v);
Matrix3 inverse_left_jacobian(Vec3 v);

/// The nearest rotation: removes what rounding has added up.
Rotation orthonormalised(const Rotation& r);

/// The rotation with the least sum of angles to the others, which single wrong ones hardly move
/// (Weiszfeld's iteration on rotations, Hartley et al. 2011). Not for an empty list.
Rotation median_rotation(std::span<const Rotation> rotations);

}  // namespace broadloom
