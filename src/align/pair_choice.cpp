#include "align/pair_choice.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <numeric>
#include <queue>
#include <random>
#include <utility>

#include "align/rotation_average.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

/// Nominal steps come from an overlap that was aimed at; they may be off by so much.
constexpr double kHeadShare = 0.25;
constexpr double kMostRoll = 6 * kRadPerDeg;

struct Edge {
    size_t to = 0;
    size_t link = 0;
    Rotation from_to;  ///< d_from = from_to d_to
    double angle = 0;
    size_t matches = 0;
};
using Graph = std::vector<std::vector<Edge>>;

Graph graph_of(size_t frames, std::span<const PairLink> links, std::span<const size_t> use) {
    Graph graph(frames);
    for (const size_t l : use) {
        const PairLink& link = links[l];
        const double angle = rotation_angle(link.a_from_b);
        graph[link.a].push_back({link.b, l, link.a_from_b, angle, link.matches.size()});
        graph[link.b].push_back({link.a, l, link.a_from_b.inverse(), angle, link.matches.size()});
    }
    return graph;
}

double tolerance(const ChoiceOptions& options, double angles) {
    return std::min(options.base_rad + options.share * angles, options.most_rad);
}

/// How well cycles of three and four confirm each link: for every other way of two or three links
/// that agrees, its weakest link's matches, summed over ways by their middle frames.
std::vector<double> confirmations(const Graph& graph, std::span<const PairLink> links,
                                  std::span<const size_t> use, const ChoiceOptions& options) {
    std::vector<double> out(links.size(), 0);
    // The middle frames of a way; candidates of one pair count once, by the strongest.
    std::map<std::pair<size_t, size_t>, size_t> ways;
    for (const size_t l : use) {
        const PairLink& link = links[l];
        const double own = rotation_angle(link.a_from_b);
        const Rotation b_from_a = link.a_from_b.inverse();
        ways.clear();
        for (const Edge& first : graph[link.a]) {
            if (first.to == link.b) continue;
            const Rotation b_first = b_from_a * first.from_to;
            for (const Edge& second : graph[first.to]) {
                if (second.to == link.a) continue;
                const Rotation b_second = b_first * second.from_to;
                const double angle = own + first.angle + second.angle;
                const size_t weakest = std::min(first.matches, second.matches);
                if (second.to == link.b) {
                    if (rotation_angle(b_second) <= tolerance(options, angle)) {
                        size_t& kept = ways[{first.to, first.to}];
                        kept = std::max(kept, weakest);
                    }
                    continue;
                }
                for (const Edge& third : graph[second.to]) {
                    if (third.to != link.b) continue;
                    if (rotation_angle(b_second * third.from_to) <=
                        tolerance(options, angle + third.angle)) {
                        size_t& kept = ways[{first.to, second.to}];
                        kept = std::max(kept, std::min(weakest, third.matches));
                    }
                }
            }
        }
        for (const auto& [middle, matches] : ways) {
            out[l] += static_cast<double>(std::min(matches, link.matches.size()));
        }
    }
    return out;
}

/// Frames joined rigidly, with each frame's rotation in its part.
class Parts {
  public:
    explicit Parts(size_t frames) : part_(frames), members_(frames), rotation_(frames) {
        std::iota(part_.begin(), part_.end(), size_t{0});
        for (size_t i = 0; i < frames; ++i) members_[i] = {i};
    }
    [[nodiscard]] size_t part(size_t frame) const { return part_[frame]; }
    [[nodiscard]] const Rotation& rotation(size_t frame) const { return rotation_[frame]; }

    /// Where the part of b lies in the part of a, by this link.
    [[nodiscard]] Rotation turn_by(const PairLink& link) const {
        return rotation_[link.a] * link.a_from_b * rotation_[link.b].inverse();
    }
    /// Joins by d_a = turn d_b between parts.
    void join(size_t part_a, size_t part_b, const Rotation& turn) {
        Rotation move = turn;
        if (members_[part_a].size() < members_[part_b].size()) {
            std::swap(part_a, part_b);
            move = turn.inverse();
        }
        for (const size_t frame : members_[part_b]) {
            rotation_[frame] = orthonormalised(move * rotation_[frame]);
            part_[frame] = part_a;
            members_[part_a].push_back(frame);
        }
        members_[part_b].clear();
    }

  private:
    std::vector<size_t> part_;
    std::vector<std::vector<size_t>> members_;
    std::vector<Rotation> rotation_;
};

/// The link between two parts with which most matches agree on how the parts lie to each other.
struct Bridge {
    size_t link = 0;
    double strength = -1;  ///< the matches of all links that agree with it
};

Bridge strongest_agreement(const Parts& parts, std::span<const PairLink> links,
                           std::span<const size_t> between, const ChoiceOptions& options) {
    std::vector<Rotation> turns;
    for (const size_t l : between) {
        const Rotation turn = parts.turn_by(links[l]);
        turns.push_back(parts.part(links[l].a) < parts.part(links[l].b) ? turn : turn.inverse());
    }
    Bridge best;
    for (size_t i = 0; i < between.size(); ++i) {
        Bridge bridge{between[i], 0};
        const PairLink& centre = links[between[i]];
        std::map<std::pair<size_t, size_t>, size_t> matches_of_pair;
        for (size_t j = 0; j < between.size(); ++j) {
            const PairLink& other = links[between[j]];
            const double way =
                rotation_angle(centre.a_from_b) + rotation_angle(other.a_from_b) +
                2 * rotation_angle(parts.rotation(centre.a).inverse() * parts.rotation(other.a));
            if (parts.part(centre.a) == parts.part(other.a) &&
                rotation_angle(turns[i].inverse() * turns[j]) > tolerance(options, way)) {
                continue;
            }
            if (parts.part(centre.a) != parts.part(other.a) &&
                rotation_angle(turns[i].inverse() * turns[j]) > options.most_rad) {
                continue;
            }
            size_t& kept = matches_of_pair[{other.a, other.b}];
            kept = std::max(kept, other.matches.size());
        }
        for (const auto& [pair, matches] : matches_of_pair) {
            bridge.strength += static_cast<double>(matches);
        }
        const bool stronger = bridge.strength > best.strength;
        if (stronger || (bridge.strength == best.strength &&
                         centre.matches.size() > links[best.link].matches.size())) {
            best = bridge;
        }
    }
    return best;
}

/// Joins parts, the surest bridge first, until no link is left between two of them.
void join_parts(size_t frames, Parts& parts, std::span<const PairLink> links,
                std::span<const size_t> use, const ChoiceOptions& options) {
    for (;;) {
        std::map<std::pair<size_t, size_t>, std::vector<size_t>> between;
        for (const size_t l : use) {
            const size_t a = parts.part(links[l].a);
            const size_t b = parts.part(links[l].b);
            if (a != b) between[std::minmax(a, b)].push_back(l);
        }
        if (between.empty()) return;
        std::vector<Bridge> bridges;
        bridges.reserve(between.size());
        for (const auto& [pair, candidates] : between) {
            bridges.push_back(strongest_agreement(parts, links, candidates, options));
        }
        std::stable_sort(bridges.begin(), bridges.end(),
                         [](const Bridge& a, const Bridge& b) { return a.strength > b.strength; });
        // A part that has just grown is judged anew before it is joined again.
        std::vector<bool> grown(frames, false);
        for (const Bridge& bridge : bridges) {
            const PairLink& link = links[bridge.link];
            const size_t a = parts.part(link.a);
            const size_t b = parts.part(link.b);
            if (a == b || grown[a] || grown[b]) continue;
            grown[a] = grown[b] = true;
            parts.join(a, b, parts.turn_by(link));
        }
    }
}

/// Registrations that the head does not contradict.
std::vector<size_t> believable(std::span<const PairLink> links, const ChoiceOptions& options) {
    std::vector<size_t> out;
    for (size_t l = 0; l < links.size(); ++l) {
        const PairLink& link = links[l];
        if (link.matches.empty()) continue;
        if (options.head_rad > 0 && options.head[link.a] && options.head[link.b]) {
            const Rotation said = options.head[link.a]->inverse() * *options.head[link.b];
            const Vec3 off = rotation_log(said.inverse() * link.a_from_b);
            const double most = options.head_rad + kHeadShare * rotation_angle(said);
            if (std::hypot(off.x, off.y) > most) continue;
            // How a camera rolls on its head does not depend on how long its lens is.
            if (std::abs(off.z) > std::max(most, kMostRoll)) continue;
        }
        out.push_back(l);
    }
    return out;
}

/// Of each pair the candidate nearest to the rotations, when near enough; `ways` is how many steps
/// a way between neighbours has that the rotations come from.
std::vector<size_t> nearest_candidates(const std::vector<Rotation>& rotations,
                                       std::span<const PairLink> links, std::span<const size_t> use,
                                       const ChoiceOptions& options, double ways) {
    std::map<std::pair<size_t, size_t>, std::pair<double, size_t>> best;
    for (const size_t l : use) {
        const PairLink& link = links[l];
        const double off = rotation_angle(link.a_from_b.inverse() * rotations[link.a].inverse() *
                                          rotations[link.b]);
        if (off > tolerance(options, ways * rotation_angle(link.a_from_b))) continue;
        const auto [at, fresh] = best.try_emplace({link.a, link.b}, off, l);
        if (!fresh && off < at->second.first) at->second = {off, l};
    }
    std::vector<size_t> out;
    out.reserve(best.size());
    for (const auto& [pair, candidate] : best) out.push_back(candidate.second);
    std::sort(out.begin(), out.end());
    return out;
}

/// Spreads over all chosen links what adds up along a tree.
void average(std::span<const PairLink> links, std::span<const size_t> chosen,
             const ChoiceOptions& options, std::vector<Rotation>& rotations) {
    std::vector<RelativeRotation> relative;
    for (const size_t l : chosen) {
        relative.push_back({links[l].a, links[l].b, links[l].a_from_b,
                            static_cast<double>(links[l].matches.size())});
    }
    average_rotations(relative, options.base_rad, 3, rotations);
}

/// The strongest spanning trees of links that cycles confirm.
Parts join_confirmed(size_t frames, std::span<const PairLink> links, std::span<const size_t> use,
                     const std::vector<double>& strength) {
    std::vector<size_t> order;
    for (const size_t l : use) {
        if (strength[l] > 0) order.push_back(l);
    }
    std::stable_sort(order.begin(), order.end(),
                     [&](size_t i, size_t j) { return strength[i] > strength[j]; });
    Parts parts(frames);
    for (const size_t l : order) {
        const size_t a = parts.part(links[l].a);
        const size_t b = parts.part(links[l].b);
        if (a != b) parts.join(a, b, parts.turn_by(links[l]));
    }
    return parts;
}

}  // namespace

PairChoice choose_pairs(size_t frames, std::span<const PairLink> links,
                        const ChoiceOptions& options) {
    const std::vector<size_t> use = believable(links, options);
    const Graph graph = graph_of(frames, links, use);
    const std::vector<double> confirmed = confirmations(graph, links, use, options);

    // The strongest tree may have caught a false link that the rest of the set contradicts; others,
    // by strengths shaken at random, show whether more would hang together without it.
    constexpr int kTrials = 24;
    std::mt19937 random(20070801);
    std::vector<Rotation> rotations(frames);
    size_t most = 0;
    std::vector<size_t> chosen;
    for (int trial = 0; trial < kTrials; ++trial) {
        std::vector<double> strength(links.size(), 0);
        for (const size_t l : use) {
            const double shake = trial == 0 ? 0.5 : std::ldexp(random(), -32);
            strength[l] = confirmed[l] * std::pow(4, shake);
        }
        Parts tree = join_confirmed(frames, links, use, strength);
        join_parts(frames, tree, links, use, options);
        std::vector<Rotation> here;
        for (size_t i = 0; i < frames; ++i) here.push_back(tree.rotation(i));
        std::vector<size_t> near = nearest_candidates(here, links, use, options, 6);
        for (int round = 0; round < 2; ++round) {
            average(links, near, options, here);
            near = nearest_candidates(here, links, use, options, 3);
        }
        size_t matches = 0;
        for (const size_t l : near) matches += links[l].matches.size();
        if (matches > most) {
            most = matches;
            rotations = std::move(here);
            chosen = std::move(near);
        }
    }

    PairChoice out;
    out.links = std::move(chosen);
    const Groups groups = group_frames(frames, links, out.links);
    out.group = groups.of_frame;
    out.groups = groups.count;
    out.rotations.resize(frames);
    for (const size_t l : out.links) {
        out.rotations[links[l].a] = rotations[links[l].a];
        out.rotations[links[l].b] = rotations[links[l].b];
    }
    return out;
}

Groups group_frames(size_t frames, std::span<const PairLink> links, std::span<const size_t> used) {
    Graph graph = graph_of(frames, links, used);
    std::vector<std::vector<size_t>> members;
    std::vector<bool> seen(frames, false);
    for (size_t start = 0; start < frames; ++start) {
        if (seen[start]) continue;
        std::vector<size_t> found{start};
        seen[start] = true;
        for (size_t i = 0; i < found.size(); ++i) {
            for (const Edge& edge : graph[found[i]]) {
                if (seen[edge.to]) continue;
                seen[edge.to] = true;
                found.push_back(edge.to);
            }
        }
        members.push_back(std::move(found));
    }
    std::stable_sort(members.begin(), members.end(),
                     [](const auto& a, const auto& b) { return a.size() > b.size(); });
    Groups out;
    out.count = members.size();
    out.of_frame.resize(frames);
    for (size_t g = 0; g < members.size(); ++g) {
        for (const size_t frame : members[g]) out.of_frame[frame] = g;
    }
    return out;
}

std::vector<double> shortest_ways(size_t frames, std::span<const PairLink> links,
                                  std::span<const size_t> used, std::span<const double> angles,
                                  size_t from) {
    std::vector<std::vector<std::pair<size_t, double>>> next(frames);
    for (size_t i = 0; i < used.size(); ++i) {
        next[links[used[i]].a].emplace_back(links[used[i]].b, angles[i]);
        next[links[used[i]].b].emplace_back(links[used[i]].a, angles[i]);
    }
    std::vector<double> way(frames, kInfinity);
    using Entry = std::pair<double, size_t>;
    std::priority_queue<Entry, std::vector<Entry>, std::greater<>> queue;
    way[from] = 0;
    queue.emplace(0, from);
    while (!queue.empty()) {
        const auto [length, frame] = queue.top();
        queue.pop();
        if (length > way[frame]) continue;
        for (const auto& [to, angle] : next[frame]) {
            if (length + angle < way[to]) {
                way[to] = length + angle;
                queue.emplace(way[to], to);
            }
        }
    }
    return way;
}

}  // namespace broadloom
