#include "align/rotation_average.hpp"

#include <algorithm>
#include <cmath>

#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

/// The turns w that bring w_a - w_b nearest to `wanted`, weighted: the normal equations are the
/// graph's Laplacian, one for each axis, solved by conjugate gradients from zero. What the links
/// leave open stays zero.
std::vector<Vec3> solve_laplacian(std::span<const RelativeRotation> links,
                                  const std::vector<double>& weights,
                                  const std::vector<Vec3>& wanted, size_t frames) {
    const auto apply = [&](const std::vector<Vec3>& x) {
        std::vector<Vec3> out(frames);
        for (size_t l = 0; l < links.size(); ++l) {
            const Vec3 difference = weights[l] * (x[links[l].a] - x[links[l].b]);
            out[links[l].a] = out[links[l].a] + difference;
            out[links[l].b] = out[links[l].b] - difference;
        }
        return out;
    };
    const auto product = [&](const std::vector<Vec3>& x, const std::vector<Vec3>& y) {
        double sum = 0;
        for (size_t i = 0; i < frames; ++i) sum += dot(x[i], y[i]);
        return sum;
    };
    std::vector<Vec3> x(frames);
    std::vector<Vec3> rest(frames);
    for (size_t l = 0; l < links.size(); ++l) {
        rest[links[l].a] = rest[links[l].a] + weights[l] * wanted[l];
        rest[links[l].b] = rest[links[l].b] - weights[l] * wanted[l];
    }
    std::vector<Vec3> step = rest;
    double size = product(rest, rest);
    const double enough = size * 1e-8;
    const size_t most = std::min<size_t>(3 * frames, 400);
    for (size_t i = 0; i < most && size > enough; ++i) {
        const std::vector<Vec3> applied = apply(step);
        const double along = product(step, applied);
        if (!(along > 0)) break;
        const double factor = size / along;
        for (size_t k = 0; k < frames; ++k) {
            x[k] = x[k] + factor * step[k];
            rest[k] = rest[k] - factor * applied[k];
        }
        const double next = product(rest, rest);
        for (size_t k = 0; k < frames; ++k) step[k] = rest[k] + (next / size) * step[k];
        size = next;
    }
    return x;
}

}  // namespace

void average_rotations(std::span<const RelativeRotation> links, double scale_rad, int rounds,
                       std::vector<Rotation>& rotations) {
    std::vector<double> weights(links.size());
    std::vector<Vec3> wanted(links.size());
    for (int round = 0; round < rounds; ++round) {
        double largest = 0;
        for (size_t l = 0; l < links.size(); ++l) {
            // exp(w_a) R_a a_from_b = exp(w_b) R_b, to first order.
            const Rotation& a = rotations[links[l].a];
            const Rotation& b = rotations[links[l].b];
            wanted[l] = rotation_log(b * (a * links[l].a_from_b).inverse());
            const double u = norm(wanted[l]) / scale_rad;
            weights[l] = links[l].weight / (1 + u * u);
            largest = std::max(largest, weights[l]);
        }
        if (largest > 0) {
            for (double& weight : weights) weight /= largest;
        }
        const std::vector<Vec3> turns = solve_laplacian(links, weights, wanted, rotations.size());
        double moved = 0;
        for (size_t i = 0; i < rotations.size(); ++i) {
            moved = std::max(moved, norm(turns[i]));
            rotations[i] = orthonormalised(rotation_exp(turns[i]) * rotations[i]);
        }
        if (moved < 1e-3 * scale_rad) break;
    }
}

}  // namespace broadloom
