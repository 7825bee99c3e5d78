#include "align/pair_search.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "base/parallel.hpp"
#include "base/work_meter.hpp"

namespace broadloom {
namespace {

/// Half the angle that the frame sees across and down, radians.
Vec2 half_view(const Camera& c) {
    return {std::atan(0.5 * static_cast<double>(c.width) / c.focal_px),
            std::atan(0.5 * static_cast<double>(c.height) / c.focal_px)};
}

/// Whether frame b's middle third of points, or enough of them, fall into frame a.
bool overlaps(const Camera& camera_a, const Camera& camera_b, const Rotation& a_from_b,
              double share) {
    const Lens a(camera_a);
    const Vec2 view_b = half_view(camera_b);
    constexpr int kSteps = 12;
    int inside_columns = 0;
    int inside_rows = 0;
    std::array<bool, kSteps> row_hit{};
    std::array<bool, kSteps> column_hit{};
    for (int j = 0; j < kSteps; ++j) {
        for (int i = 0; i < kSteps; ++i) {
            const double u = std::tan(view_b.x) * (2 * (i + 0.5) / kSteps - 1);
            const double v = std::tan(view_b.y) * (2 * (j + 0.5) / kSteps - 1);
            if (a.in_view(a_from_b.to_world({u, v, 1}))) {
                row_hit[static_cast<size_t>(j)] = true;
                column_hit[static_cast<size_t>(i)] = true;
            }
        }
    }
    for (const bool hit : row_hit) inside_rows += hit ? 1 : 0;
    for (const bool hit : column_hit) inside_columns += hit ? 1 : 0;
    return inside_rows >= share * kSteps && inside_columns >= share * kSteps;
}

std::vector<std::vector<PairLink>> register_all(const FrameSet& set,
                                                const std::vector<FeatureSet>& features,
                                                const std::vector<std::pair<size_t, size_t>>& pairs,
                                                bool with_head, int workers,
                                                const WorkHooks& hooks) {
    std::vector<std::vector<PairLink>> found(pairs.size());
    WorkMeter meter("registering pairs", pairs.size(), hooks);
    for_each_index(pairs.size(), workers, [&](size_t k, int) {
        const auto [a, b] = pairs[k];
        const Camera& camera_a = set.cameras[set.frames[a].camera];
        const Camera& camera_b = set.cameras[set.frames[b].camera];
        RegisterOptions options;
        if (with_head && set.frames[a].predicted && set.frames[b].predicted) {
            options.predicted = set.frames[a].predicted->inverse() * *set.frames[b].predicted;
            // Aim, backlash and a step misjudged by a misstated focal length.
            constexpr double kShare = 0.2;
            const Vec2 view = half_view(camera_a);
            options.prior_deg = std::max(1.0, 2 * kShare * std::max(view.x, view.y) * kDegPerRad);
        }
        for (PairLink& link :
             register_pair(a, b, features[a], features[b], camera_a, camera_b, options)) {
            if (link.accepted) found[k].push_back(std::move(link));
        }
        meter.advance();
    });
    return found;
}

}  // namespace

std::vector<std::pair<size_t, size_t>> overlapping_pairs(
    const FrameSet& set, const std::vector<Camera>& cameras,
    const std::vector<std::optional<Rotation>>& rotations, double share) {
    std::vector<std::pair<size_t, size_t>> pairs;
    for (size_t a = 0; a < set.frames.size(); ++a) {
        if (!rotations[a]) continue;
        const Camera& camera_a = cameras[set.frames[a].camera];
        const Vec2 view_a = half_view(camera_a);
        for (size_t b = a + 1; b < set.frames.size(); ++b) {
            if (!rotations[b]) continue;
            const Camera& camera_b = cameras[set.frames[b].camera];
            const Vec2 view_b = half_view(camera_b);
            const double reach = std::hypot(view_a.x, view_a.y) + std::hypot(view_b.x, view_b.y);
            if (angle_between(rotations[a]->axis(), rotations[b]->axis()) > reach) continue;
            if (overlaps(camera_a, camera_b, rotations[a]->inverse() * *rotations[b], share)) {
                pairs.emplace_back(a, b);
            }
        }
    }
    return pairs;
}

std::vector<PairLink> find_links(const FrameSet& set, const std::vector<FeatureSet>& features,
                                 int workers, const WorkHooks& hooks,
                                 std::vector<std::string>& notes) {
    std::vector<std::optional<Rotation>> aims;
    bool aimed = true;
    for (const AlignFrame& f : set.frames) {
        aims.push_back(f.predicted);
        aimed = aimed && f.predicted.has_value();
    }
    constexpr double kLeastOverlap = 0.08;
    std::vector<std::pair<size_t, size_t>> pairs;
    std::vector<std::vector<PairLink>> found;
    bool by_looks = !aimed;
    if (aimed) {
        pairs = overlapping_pairs(set, set.cameras, aims, kLeastOverlap);
        found = register_all(set, features, pairs, true, workers, hooks);
        // Pairs that could have fitted: both frames have texture.
        constexpr size_t kTexture = 100;
        size_t possible = 0;
        size_t fitted = 0;
        for (size_t k = 0; k < pairs.size(); ++k) {
            if (features[pairs[k].first].points.size() < kTexture ||
                features[pairs[k].second].points.size() < kTexture) {
                continue;
            }
            ++possible;
            fitted += found[k].empty() ? 0 : 1;
        }
        by_looks = fitted * 3 < possible;
        if (by_looks) {
            notes.push_back("only " + std::to_string(fitted) + " of " + std::to_string(possible) +
                            " neighbours in the grid fit together: rows and columns look wrong; "
                            "frames are placed by what they show");
        }
    }
    if (by_looks) {
        constexpr size_t kPartners = 10;
        pairs = similar_pairs(features, kPartners, workers);
        found = register_all(set, features, pairs, false, workers, hooks);
    }
    std::vector<PairLink> links;
    for (std::vector<PairLink>& candidates : found) {
        for (PairLink& link : candidates) links.push_back(std::move(link));
    }
    return links;
}

std::vector<PairLink> measure_links(const FrameSet& set, const std::vector<FeatureSet>& features,
                                    const SolveResult& solution, ImageCache<GreyImage>& greys,
                                    double radius_px, int workers, const WorkHooks& hooks) {
    constexpr double kLeastOverlap = 0.05;
    constexpr size_t kMostMatches = 160;
    constexpr size_t kFewMatches = 8;
    // Frames that only the head holds may be far off; a guided search would find nonsense.
    std::vector<std::optional<Rotation>> known = solution.rotations;
    for (size_t i = 0; i < known.size(); ++i) {
        if (!solution.by_matches[i]) known[i].reset();
    }
    const auto pairs = overlapping_pairs(set, solution.cameras, known, kLeastOverlap);
    std::vector<PairLink> found(pairs.size());
    WorkMeter meter("measuring matches", pairs.size(), hooks);
    for_each_index(pairs.size(), workers, [&](size_t k, int worker) {
        const auto [a, b] = pairs[k];
        const Camera& camera_a = solution.cameras[set.frames[a].camera];
        const Camera& camera_b = solution.cameras[set.frames[b].camera];
        PairLink& link = found[k];
        link.a = a;
        link.b = b;
        link.a_from_b = known[a]->inverse() * *known[b];
        const std::vector<Match> guided =
            guided_matches(features[a], features[b], camera_a, camera_b, link.a_from_b, radius_px);
        if (guided.size() >= kFewMatches) {
            const auto grey_a = greys.get(a, worker);
            const auto grey_b = greys.get(b, worker);
            link.matches = refine_matches(*grey_a, *grey_b, camera_a, camera_b, link.a_from_b,
                                          guided, radius_px, kMostMatches);
            link.tentative = link.matches.size();
            link.accepted = link.matches.size() >= kFewMatches;
        }
        meter.advance();
    });
    std::erase_if(found, [](const PairLink& link) { return !link.accepted; });
    return found;
}

}  // namespace broadloom
