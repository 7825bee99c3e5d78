#include <algorithm>
#include <cmath>
#include <limits>

#include "base/median.hpp"
#include "match/nearest_detail.hpp"
#include "match/pairs.hpp"
#include "match/registration_detail.hpp"

namespace broadloom {

namespace {

/// Fewer matches than this are no evidence, however few were possible.
constexpr size_t kLeastInliers = 12;
/// Inliers must reach over this share of a's width one way or the other: a thing that moves and
/// was matched alone is smaller.
constexpr double kLeastReach = 0.06;
/// A further registration in a repeating scene needs this share of the best one's matches.
constexpr double kRivalShare = 0.5;
/// Miss that a match may show in the end: pixels, and share of the width. Up to the larger share
/// when the frames' own scatter asks for it (parallax).
constexpr double kTightPx = 2;
constexpr double kTightShare = 0.0015;
constexpr double kScatteredShare = 0.005;

struct Overlap {
    const Lens& a;
    const Lens& b;

    /// Whether both points lie where the other frame looks.
    [[nodiscard]] bool holds(const Registration& fit, const Sighting& s) const {
        const Vec2 in_a = fit.lens.apply(s.a);
        const Vec2 in_b = fit.lens.apply(s.b);
        return b.in_view(fit.a_from_b.to_camera({in_a.x, in_a.y, 1})) &&
               a.in_view(fit.a_from_b.to_world({in_b.x, in_b.y, 1}));
    }
};

std::vector<Sighting> within(const std::vector<Sighting>& all, const Registration& fit,
                             double focal_px, double limit_px) {
    std::vector<Sighting> out;
    for (const Sighting& s : all) {
        if (miss_px(fit, s, focal_px) < limit_px) out.push_back(s);
    }
    return out;
}

/// Standard deviation a coordinate, from the median: of a Rayleigh distribution that is 1.1774
/// standard deviations.
double scatter_px(const std::vector<Sighting>& sightings, const Registration& fit,
                  double focal_px) {
    std::vector<double> misses;
    misses.reserve(sightings.size());
    for (const Sighting& s : sightings) misses.push_back(miss_px(fit, s, focal_px));
    return upper_median(std::move(misses)) / 1.1774;
}

bool reaches(const std::vector<Sighting>& sightings, double width_px) {
    Vec2 low{1e300, 1e300};
    Vec2 high{-1e300, -1e300};
    for (const Sighting& s : sightings) {
        low = {std::min(low.x, s.pixels.a.x), std::min(low.y, s.pixels.a.y)};
        high = {std::max(high.x, s.pixels.a.x), std::max(high.y, s.pixels.a.y)};
    }
    return std::max(high.x - low.x, high.y - low.y) >= kLeastReach * width_px;
}

/// From a rotation known to `loose_px` to all that the matches say.
Registration settle(const std::vector<Sighting>& sightings, const PairShape& shape,
                    const Rotation& start, double loose_px) {
    Registration fit{start, {}};
    const double tight = std::max(kTightPx, kTightShare * shape.width_px);
    // Matches come in as the lens becomes known, so each step looks at all of them again.
    for (const double limit : {2 * loose_px, loose_px, loose_px, 0.5 * loose_px}) {
        const std::vector<Sighting> near = within(sightings, fit, shape.focal_px, limit);
        if (near.size() < 3) return fit;
        fit = refine_registration(near, shape, fit, std::max(tight, limit / 4));
    }
    const std::vector<Sighting> near =
        within(sightings, fit, shape.focal_px, std::max(tight, 0.5 * loose_px));
    if (near.size() < 3) return fit;
    return refine_registration(near, shape, fit, tight / 2);
}

std::optional<PairLink> link_from(const Registration& fit, const std::vector<Sighting>& sightings,
                                  const PairShape& shape, const Overlap& overlap) {
    const double tight = std::max(kTightPx, kTightShare * shape.width_px);
    const double scatter = scatter_px(within(sightings, fit, shape.focal_px,
                                             std::max(tight, 2 * kScatteredShare * shape.width_px)),
                                      fit, shape.focal_px);
    const double limit =
        std::clamp(3 * scatter, tight, std::max(tight, kScatteredShare * shape.width_px));
    const std::vector<Sighting> inliers = within(sightings, fit, shape.focal_px, limit);
    if (inliers.size() < kLeastInliers || !reaches(inliers, shape.width_px)) return std::nullopt;
    PairLink link;
    link.a_from_b = fit.a_from_b;
    double sum = 0;
    for (const Sighting& s : inliers) {
        const double e = miss_px(fit, s, shape.focal_px);
        sum += e * e;
        link.matches.push_back(s.pixels);
    }
    link.rms_px = std::sqrt(sum / static_cast<double>(inliers.size()));
    for (const Sighting& s : sightings) {
        // Inliers at the very edge count too, so that they are never more than the tentative.
        if (overlap.holds(fit, s) || miss_px(fit, s, shape.focal_px) < limit) ++link.tentative;
    }
    link.accepted =
        static_cast<double>(inliers.size()) > 8 + 0.3 * static_cast<double>(link.tentative);
    return link;
}

std::vector<std::pair<size_t, size_t>> putative(const FeatureSet& frame_a,
                                                const FeatureSet& frame_b, const Lens& lens_a,
                                                const Lens& lens_b,
                                                const RegisterOptions& options) {
    const NearestOptions nearest;
    if (!options.predicted) return mutual_nearest(frame_a, frame_b, nearest);
    const Camera& camera_b = lens_b.camera();
    const double radius =
        camera_b.focal_px * std::tan(std::min(1.5, options.prior_deg * kRadPerDeg)) +
        2 * options.loose_share * static_cast<double>(camera_b.width);
    std::vector<Expected> expected(frame_a.points.size());
    for (size_t i = 0; i < expected.size(); ++i) {
        const auto ab = lens_a.undistort({frame_a.points[i].x, frame_a.points[i].y});
        if (!ab) continue;
        if (const auto at = lens_b.project(options.predicted->to_camera({ab->x, ab->y, 1}))) {
            expected[i] = {*at, true};
        }
    }
    return mutual_nearest(frame_a, frame_b, nearest, expected, radius);
}

}  // namespace

std::vector<PairLink> register_pair(size_t a, size_t b, const FeatureSet& frame_a,
                                    const FeatureSet& frame_b, const Camera& camera_a,
                                    const Camera& camera_b, const RegisterOptions& options) {
    const Lens lens_a(camera_a);
    const Lens lens_b(camera_b);
    std::vector<Sighting> sightings;
    for (const auto& [i, j] : putative(frame_a, frame_b, lens_a, lens_b, options)) {
        const Match m{{frame_a.points[i].x, frame_a.points[i].y},
                      {frame_b.points[j].x, frame_b.points[j].y}};
        const auto in_a = lens_a.undistort(m.a);
        const auto in_b = lens_b.undistort(m.b);
        if (in_a && in_b) sightings.push_back({m, *in_a, *in_b});
    }

    PairShape shape;
    shape.focal_px = camera_a.focal_px;
    shape.width_px = static_cast<double>(std::max(camera_a.width, camera_a.height));
    shape.corner_radius =
        std::hypot(static_cast<double>(camera_a.width), static_cast<double>(camera_a.height)) / 2 /
        camera_a.focal_px;
    shape.seed = (static_cast<uint64_t>(a) << 32U) ^ static_cast<uint64_t>(b);
    shape.predicted = options.predicted;
    shape.prior_rad = options.prior_deg * kRadPerDeg;
    const double loose_px = options.loose_share * shape.width_px;
    const Overlap overlap{lens_a, lens_b};

    std::vector<PairLink> links;
    std::vector<Sighting> rest = sightings;
    while (links.size() < std::max<size_t>(1, options.candidates)) {
        const std::optional<Rotation> start = search_rotation(rest, shape, loose_px);
        if (!start) break;
        const Registration fit = settle(rest, shape, *start, loose_px);
        if (shape.predicted &&
            rotation_angle(fit.a_from_b * shape.predicted->inverse()) > shape.prior_rad) {
            break;
        }
        std::optional<PairLink> link = link_from(fit, sightings, shape, overlap);
        if (!link) break;
        // A rival must rest on matches that the better ones leave: what parallax scatters about one
        // registration would else come back as a second.
        const auto left =
            static_cast<size_t>(std::count_if(rest.begin(), rest.end(), [&](const Sighting& s) {
                return miss_px(fit, s, shape.focal_px) < loose_px;
            }));
        if (!links.empty() && static_cast<double>(std::min(left, link->matches.size())) <
                                  kRivalShare * static_cast<double>(links[0].matches.size())) {
            break;
        }
        link->a = a;
        link->b = b;
        links.push_back(std::move(*link));
        std::erase_if(rest, [&](const Sighting& s) {
            return miss_px(fit, s, shape.focal_px) < 2 * loose_px;
        });
    }
    std::stable_sort(links.begin(), links.end(), [](const PairLink& p, const PairLink& q) {
        return p.matches.size() > q.matches.size();
    });
    return links;
}

std::vector<Match> guided_matches(const FeatureSet& frame_a, const FeatureSet& frame_b,
                                  const Camera& camera_a, const Camera& camera_b,
                                  const Rotation& a_from_b, double radius_px) {
    const Lens lens_a(camera_a);
    const Lens lens_b(camera_b);
    std::vector<Expected> expected(frame_a.points.size());
    for (size_t i = 0; i < expected.size(); ++i) {
        const auto ab = lens_a.undistort({frame_a.points[i].x, frame_a.points[i].y});
        if (!ab) continue;
        const Vec3 d = a_from_b.to_camera({ab->x, ab->y, 1});
        if (!lens_b.in_view(d)) continue;
        expected[i] = {*lens_b.project(d), true};
    }
    // Among the few points so near, hardly any other looks alike; what must be kept out is a
    // nearest that is no counterpart at all. True counterparts lie below 0.6 of the length.
    NearestOptions nearest;
    nearest.ratio = 0.9;
    nearest.most_distance = 300;
    std::vector<Match> matches;
    for (const auto& [i, j] : mutual_nearest(frame_a, frame_b, nearest, expected, radius_px)) {
        matches.push_back({{frame_a.points[i].x, frame_a.points[i].y},
                           {frame_b.points[j].x, frame_b.points[j].y}});
    }
    return matches;
}

}  // namespace broadloom
