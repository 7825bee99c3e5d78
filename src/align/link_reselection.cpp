#include "align/link_reselection.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <set>
#include <utility>

#include "align/pair_choice.hpp"
#include "base/median.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

/// A link may miss by so much of the frame's width whatever the rest does: near things shift.
constexpr double kLeastDropShare = 0.003;
/// Times the usual miss of a link, above which it is dropped.
constexpr double kDropFactor = 8;

using Pair = std::pair<size_t, size_t>;

}  // namespace

std::vector<size_t> reselect_links(const Reselection& from, std::vector<int>& dropped) {
    const size_t frames = from.camera_of_frame.size();
    const double usual = upper_median(from.state.link_miss_px);
    const auto camera_of = [&](size_t frame) -> const Camera& {
        return from.state.cameras[from.camera_of_frame[frame]];
    };
    const auto most_miss = [&](const PairLink& link) {
        return std::max(kDropFactor * usual,
                        kLeastDropShare * static_cast<double>(camera_of(link.b).width));
    };

    std::vector<size_t> kept;
    std::vector<double> angles;
    std::set<Pair> kept_pairs;
    for (size_t i = 0; i < from.used.size(); ++i) {
        const PairLink& link = from.links[from.used[i]];
        if (from.state.link_miss_px[i] > most_miss(link)) {
            ++dropped[from.used[i]];
            continue;
        }
        kept.push_back(from.used[i]);
        kept_pairs.emplace(link.a, link.b);
        angles.push_back(
            rotation_angle(from.state.rotations[link.a].inverse() * from.state.rotations[link.b]));
    }

    // The other pairs' candidates, by pair.
    std::map<Pair, std::vector<size_t>> open;
    for (size_t l = 0; l < from.links.size(); ++l) {
        const PairLink& link = from.links[l];
        if (link.matches.empty() || dropped[l] > 1 || kept_pairs.contains({link.a, link.b})) {
            continue;
        }
        open[{link.a, link.b}].push_back(l);
    }
    std::vector<size_t> next = kept;
    std::vector<double> ways;
    size_t ways_from = frames;
    for (const auto& [pair, candidates] : open) {
        if (pair.first != ways_from) {
            ways_from = pair.first;
            ways = shortest_ways(frames, from.links, kept, angles, ways_from);
        }
        const double way = ways[pair.second];
        if (!std::isfinite(way)) continue;
        double least = std::numeric_limits<double>::infinity();
        size_t best = 0;
        for (const size_t l : candidates) {
            const PairLink& link = from.links[l];
            const double miss = median_miss_px(from.state, from.camera_of_frame[link.a], link.a,
                                               from.camera_of_frame[link.b], link.b, link.matches);
            if (miss < least) {
                least = miss;
                best = l;
            }
        }
        const PairLink& link = from.links[best];
        const double drift_px = from.drift_share * way * camera_of(link.b).focal_px;
        if (least <= most_miss(link) + drift_px) next.push_back(best);
    }
    std::sort(next.begin(), next.end());
    return next;
}

}  // namespace broadloom
