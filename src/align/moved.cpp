#include "align/moved.hpp"

#include <algorithm>
#include <cmath>

#include "base/median.hpp"

namespace broadloom {

void drop_moved(const FrameSet& set, const SolveResult& solution, std::vector<PairLink>& links) {
    constexpr double kSigmas = 4.5;
    constexpr double kMedianOfRayleigh = 1.1774;  // sqrt(2 ln 2): median length over sigma
    constexpr double kLeastPx = 0.5;
    constexpr size_t kFew = 8;
    for (PairLink& link : links) {
        if (!solution.rotations[link.a] || !solution.rotations[link.b]) continue;
        const Camera& camera_a = solution.cameras[set.frames[link.a].camera];
        const Camera& camera_b = solution.cameras[set.frames[link.b].camera];
        std::vector<double> errors;
        for (const Match& m : link.matches) {
            const auto e = reprojection(camera_a, *solution.rotations[link.a], camera_b,
                                        *solution.rotations[link.b], m);
            errors.push_back(e ? std::hypot(e->x, e->y) : HUGE_VAL);
        }
        if (errors.empty()) continue;
        const double most = std::max(kLeastPx, kSigmas * upper_median(errors) / kMedianOfRayleigh);
        std::vector<Match> kept;
        for (size_t i = 0; i < errors.size(); ++i) {
            if (errors[i] <= most) kept.push_back(link.matches[i]);
        }
        link.matches = std::move(kept);
        link.accepted = link.matches.size() >= kFew;
    }
    std::erase_if(links, [](const PairLink& link) { return !link.accepted; });
}

}  // namespace broadloom
