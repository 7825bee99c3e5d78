#include "gather/rough_positions.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <set>

#include "broadloom/rotation.hpp"

namespace broadloom {
namespace {

constexpr double kSteepest = 88;  // degrees; yaw means nothing at the pole

struct Ends {
    size_t link = 0, to = 0;
    bool forward = true;  // from a to b
};
using Graph = std::vector<std::vector<Ends>>;

Graph graph_of(size_t frames, std::span<const Displacement> list, const std::vector<bool>& use) {
    Graph graph(frames);
    for (size_t k = 0; k < list.size(); ++k) {
        if (!use[k]) continue;
        graph[list[k].a].push_back({k, list[k].b, true});
        graph[list[k].b].push_back({k, list[k].a, false});
    }
    return graph;
}

Vec2 step_along(std::span<const Displacement> list, const Ends& e) {
    const double s = e.forward ? 1 : -1;
    return {s * list[e.link].right_deg, s * list[e.link].up_deg};
}

double bell(double x) { return std::exp(-0.5 * x * x); }

/// How far a link is to be believed: the short cycles that it closes, and how many other links
/// moved alike. A wrong match closes no cycle and moves like no other.
std::vector<double> link_scores(size_t frames, std::span<const Displacement> list, double width,
                                double height) {
    const Graph graph = graph_of(frames, list, std::vector<bool>(list.size(), true));
    const double tau_x = 0.1 * width;
    const double tau_y = 0.1 * height;
    std::vector<double> scores(list.size());
    const size_t stride = 1 + list.size() / 2000;
    for (size_t k = 0; k < list.size(); ++k) {
        const Displacement& d = list[k];
        double cycles = 0;
        const auto closes = [&](double x, double y) {
            cycles += bell((x - d.right_deg) / tau_x) * bell((y - d.up_deg) / tau_y);
        };
        for (const Ends& first : graph[d.a]) {
            if (first.link == k) continue;
            const Vec2 u = step_along(list, first);
            for (const Ends& second : graph[first.to]) {
                if (second.link == k || second.link == first.link) continue;
                const Vec2 v = step_along(list, second);
                if (second.to == d.b) closes(u.x + v.x, u.y + v.y);
                for (const Ends& third : graph[second.to]) {
                    if (third.to != d.b || third.link == k || second.to == d.a ||
                        second.to == d.b) {
                        continue;
                    }
                    const Vec2 w = step_along(list, third);
                    closes(u.x + v.x + w.x, u.y + v.y + w.y);
                }
            }
        }
        double alike = 0;
        for (size_t j = k % stride; j < list.size(); j += stride) {
            if (j == k) continue;
            const double x = list[j].right_deg;
            const double y = list[j].up_deg;
            // The reverse move is alike too: back-and-forth, and takes in another order.
            alike += std::max(bell((x - d.right_deg) / tau_x) * bell((y - d.up_deg) / tau_y),
                              bell((x + d.right_deg) / tau_x) * bell((y + d.up_deg) / tau_y));
        }
        scores[k] = std::min(cycles, 4.0) + std::min(alike, 20.0) / 5;
    }
    return scores;
}

/// A camera that hangs askew turns all displacements alike, in radians; vertical moves show by how
/// much. 0 where there are few of them, or where columns do not stand above each other.
double camera_askew(std::span<const Displacement> list, const std::vector<double>& scores,
                    double height) {
    constexpr double kWide = 0.6;
    constexpr double kPeak = 0.15;
    std::vector<double> angles;
    for (size_t k = 0; k < list.size(); ++k) {
        const Displacement& d = list[k];
        if (scores[k] < 1 || std::abs(d.up_deg) < 0.25 * height) continue;
        const double angle = std::atan(d.right_deg / d.up_deg);
        if (std::abs(angle) < kWide) angles.push_back(angle);
    }
    if (angles.size() < 4) return 0;
    const auto middle = angles.begin() + static_cast<std::ptrdiff_t>(angles.size() / 2);
    std::nth_element(angles.begin(), middle, angles.end());
    double sum = 0;
    double squares = 0;
    double n = 0;
    for (const double angle : angles) {
        if (std::abs(angle - *middle) > kPeak) continue;
        sum += angle;
        squares += angle * angle;
        n += 1;
    }
    // Evenly spread angles would have a quarter of them in the peak.
    if (n < 0.42 * static_cast<double>(angles.size())) return 0;
    const double mean = sum / n;
    const double error = std::sqrt(std::max(squares / n - mean * mean, 0.0) / n);
    return std::abs(mean) > 2.5 * error ? mean : 0;
}

struct Tree {
    // In an order in which each frame's parent comes before it; roots have no link.
    struct Step {
        size_t frame = 0;
        std::optional<Ends> from;  // the link, walked from the parent
        size_t parent = 0;
    };
    std::vector<Step> steps;
};

/// The tree of shortest ways from `root` (E. W. Dijkstra, 1959); links that are little believed are
/// long. Steps by growing distance.
Tree shortest_ways(const Graph& graph, const std::vector<double>& scores, size_t root) {
    Tree tree;
    std::vector<double> distance(graph.size(), std::numeric_limits<double>::infinity());
    std::vector<Tree::Step> step(graph.size());
    std::set<std::pair<double, size_t>> open;
    distance[root] = 0;
    step[root] = {root, std::nullopt, root};
    open.insert({0.0, root});
    while (!open.empty()) {
        const size_t at = open.begin()->second;
        open.erase(open.begin());
        tree.steps.push_back(step[at]);
        for (const Ends& e : graph[at]) {
            const double d = distance[at] + 1 + 8 / (scores[e.link] + 0.1);
            if (d >= distance[e.to]) continue;
            open.erase({distance[e.to], e.to});
            distance[e.to] = d;
            step[e.to] = {e.to, e, at};
            open.insert({d, e.to});
        }
    }
    return tree;
}

/// Trees of the most believed links, and the component of each frame.
std::vector<Tree> spanning_trees(size_t frames, std::span<const Displacement> list,
                                 const std::vector<double>& scores, RoughPositions& out) {
    // A lone link that moved like no other joins nothing, unless there is little to compare with.
    const double least = list.size() < 8 ? 0 : 0.4;
    // Within a group: shortest ways from its middle over believed links, so that errors add up
    // over as few links as may be.
    std::vector<bool> believed(list.size());
    for (size_t k = 0; k < list.size(); ++k) believed[k] = scores[k] >= least;
    const Graph graph = graph_of(frames, list, believed);
    std::vector<Tree> trees;
    std::vector<bool> seen(frames);
    for (size_t first = 0; first < frames; ++first) {
        if (seen[first] || graph[first].empty()) continue;
        Tree tree = shortest_ways(graph, scores, first);
        // Twice to the far end, then half the way back.
        tree = shortest_ways(graph, scores, tree.steps.back().frame);
        std::vector<size_t> parent(frames);
        for (const Tree::Step& step : tree.steps) parent[step.frame] = step.parent;
        std::vector<size_t> way{tree.steps.back().frame};
        while (parent[way.back()] != way.back()) way.push_back(parent[way.back()]);
        tree = shortest_ways(graph, scores, way[way.size() / 2]);
        for (const Tree::Step& step : tree.steps) seen[step.frame] = true;
        trees.push_back(std::move(tree));
    }
    std::stable_sort(trees.begin(), trees.end(),
                     [](const Tree& a, const Tree& b) { return a.steps.size() > b.steps.size(); });
    out.component.assign(frames, -1);
    for (size_t c = 0; c < trees.size(); ++c) {
        for (const Tree::Step& s : trees[c].steps) out.component[s.frame] = static_cast<int>(c);
    }
    out.components = static_cast<int>(trees.size());
    return trees;
}

/// The link as a move of yaw and pitch, given where a aims.
Aim move_of(const Displacement& d, const Aim& a, double scale) {
    const Aim seen = aim_seen_from(a, d.right_deg * scale, d.up_deg * scale);
    return {seen.yaw_deg - a.yaw_deg, seen.pitch_deg - a.pitch_deg};
}

struct Residual {
    double x = 0, y = 0;  // shares of the frame's width and height
};

class Solver {
  public:
    Solver(std::span<const Displacement> list, double width, double height)
        : list_(list), width_(width), height_(height) {}

    /// Walks the tree from its root at `pitch`.
    void walk(const Tree& tree, double pitch, double scale, std::vector<Aim>& aims) const {
        aims[tree.steps.front().frame] = {0, pitch};
        for (const Tree::Step& s : tree.steps) {
            if (!s.from) continue;
            const Displacement& d = list_[s.from->link];
            const Aim& from = aims[s.parent];
            const double sign = s.from->forward ? scale : -scale;
            Aim to = aim_seen_from(from, sign * d.right_deg, sign * d.up_deg);
            if (!s.from->forward) {
                // The measured direction is a's view; from b's side it is only nearly reversed.
                for (int k = 0; k < 3; ++k) {
                    const Aim back = move_of(d, to, scale);
                    to.yaw_deg = from.yaw_deg - back.yaw_deg;
                    to.pitch_deg =
                        std::clamp(from.pitch_deg - back.pitch_deg, -kSteepest, kSteepest);
                }
            }
            to.pitch_deg = std::clamp(to.pitch_deg, -kSteepest, kSteepest);
            aims[s.frame] = to;
        }
    }

    [[nodiscard]] Residual residual(size_t k, const std::vector<Aim>& aims, double scale) const {
        const Displacement& d = list_[k];
        const Aim& a = aims[d.a];
        const Aim& b = aims[d.b];
        const Aim move = move_of(d, a, scale);
        const double shrink = std::cos(0.5 * (a.pitch_deg + b.pitch_deg) * kRadPerDeg);
        return {yaw_between(a.yaw_deg + move.yaw_deg, b.yaw_deg) * shrink / width_,
                (b.pitch_deg - a.pitch_deg - move.pitch_deg) / height_};
    }

    /// Does a link join the two ends of a circle?
    [[nodiscard]] bool closes(std::span<const size_t> links, const std::vector<Aim>& aims) const {
        return std::any_of(links.begin(), links.end(), [&](size_t k) {
            return std::abs(aims[list_[k].b].yaw_deg - aims[list_[k].a].yaw_deg) > 200;
        });
    }

    [[nodiscard]] double cost(std::span<const size_t> links, const std::vector<Aim>& aims,
                              double scale) const {
        double sum = 0;
        for (const size_t k : links) {
            const Residual r = residual(k, aims, scale);
            // In the frames' own measure, or else small scales would seem to fit better.
            const double e = (r.x * r.x + r.y * r.y) / (kTau * kTau * scale * scale);
            sum += std::log1p(e);
        }
        return sum;
    }

    /// Reweighted least squares over a component's links, from where `aims` stand; the first frame
    /// stays.
    void refine(const Tree& tree, std::span<const size_t> links, double scale,
                std::vector<Aim>& aims) const {
        std::vector<std::vector<std::pair<size_t, double>>> near(aims.size());  // link, sign
        for (const size_t k : links) {
            near[list_[k].a].emplace_back(k, -1.0);
            near[list_[k].b].emplace_back(k, 1.0);
        }
        std::vector<double> weight(list_.size());
        std::vector<Residual> r(list_.size());
        std::vector<double> shrink(list_.size());
        std::vector<Aim> change(aims.size());
        for (int round = 0; round < 8; ++round) {
            for (const size_t k : links) {
                r[k] = residual(k, aims, scale);
                const double e = (r[k].x * r[k].x + r[k].y * r[k].y) / (kTau * kTau);
                // Gently at first, so that a circle that does not quite close is spread over all.
                weight[k] = round < 4 ? 1 / (1 + e) : 1 / ((1 + e) * (1 + e));
                shrink[k] = std::cos(
                    0.5 * (aims[list_[k].a].pitch_deg + aims[list_[k].b].pitch_deg) * kRadPerDeg);
                r[k].x *= width_ / std::max(shrink[k], 0.05);
                r[k].y *= height_;
            }
            std::fill(change.begin(), change.end(), Aim{});
            for (int sweep = 0; sweep < 40; ++sweep) {
                const bool back = sweep % 2 == 1;
                for (size_t n = 1; n < tree.steps.size(); ++n) {
                    const size_t i = tree.steps[back ? tree.steps.size() - n : n].frame;
                    Aim sum;
                    double total = 0;
                    for (const auto& [k, sign] : near[i]) {
                        const size_t j = sign > 0 ? list_[k].a : list_[k].b;
                        sum.yaw_deg += weight[k] * (change[j].yaw_deg - sign * r[k].x);
                        sum.pitch_deg += weight[k] * (change[j].pitch_deg - sign * r[k].y);
                        total += weight[k];
                    }
                    if (total > 1e-9) change[i] = {sum.yaw_deg / total, sum.pitch_deg / total};
                }
            }
            for (const Tree::Step& s : tree.steps) {
                aims[s.frame].yaw_deg += change[s.frame].yaw_deg;
                aims[s.frame].pitch_deg = std::clamp(
                    aims[s.frame].pitch_deg + change[s.frame].pitch_deg, -kSteepest, kSteepest);
            }
        }
    }

    /// Share of a frame by which good links may disagree: roll, and the lens's guessed figures.
    static constexpr double kTau = 0.06;

  private:
    std::span<const Displacement> list_;
    double width_, height_;
};

struct Extent {
    double low = 0, high = 0, left = 0, right = 0;
};

Extent extent_of(const Tree& tree, const std::vector<Aim>& aims) {
    Extent e{1e9, -1e9, 1e9, -1e9};
    for (const Tree::Step& s : tree.steps) {
        e.low = std::min(e.low, aims[s.frame].pitch_deg);
        e.high = std::max(e.high, aims[s.frame].pitch_deg);
        e.left = std::min(e.left, aims[s.frame].yaw_deg);
        e.right = std::max(e.right, aims[s.frame].yaw_deg);
    }
    return e;
}

struct Placed {
    bool pitch_known = false;  // found, not assumed
    double scale = 1;          // of the displacements: the true field of view / the given one
};

/// Places one component.
Placed place(const Solver& solver, const Tree& tree, std::span<const size_t> links,
             std::vector<Aim>& aims) {
    std::vector<Aim> trial = aims;
    solver.walk(tree, 0, 1, trial);
    const Extent flat = extent_of(tree, trial);
    const double centred = -0.5 * (flat.low + flat.high);
    struct Try {
        double cost = 0, pitch = 0, scale = 1;
    };
    const auto attempt = [&](double pitch, double scale) {
        solver.walk(tree, pitch, scale, trial);
        return Try{solver.cost(links, trial, scale), pitch, scale};
    };
    const Try plain = attempt(centred, 1);
    Try best = plain;
    // A set that closes round the circle shows how far the field of view is misstated.
    const auto scan_scale = [&](double pitch) {
        solver.walk(tree, pitch, 1, trial);
        const Extent e = extent_of(tree, trial);
        if (e.right - e.left < 250 || !solver.closes(links, trial)) return;
        for (int k = -16; k <= 16; ++k) {
            const Try t = attempt(pitch, 1 + 0.005 * k);
            if (t.cost < best.cost - 1e-9) best = t;
        }
    };
    scan_scale(centred);
    const Try level = best;
    for (double pitch = -85 - flat.low; pitch <= 85 - flat.high; pitch += 2.5) {
        const Try t = attempt(pitch, level.scale);
        if (t.cost < best.cost) best = t;
        scan_scale(pitch);
    }
    bool known = false;
    // Convergence has to explain something: a set near the horizon, or a narrow one, fits centred.
    if (best.cost < 0.8 * level.cost - 0.5) {
        known = true;
        for (double step = 1.25; step > 0.05; step /= 2) {
            for (const double way : {-1.0, 1.0}) {
                const Try t = attempt(best.pitch + way * step, best.scale);
                if (t.cost < best.cost) best = t;
            }
        }
    } else {
        best = level;
    }
    solver.walk(tree, best.pitch, best.scale, aims);
    solver.refine(tree, links, best.scale, aims);
    return {known, best.scale};
}

/// Yaws were counted along the links, and where the ends of a set nearly meet they may have been
/// counted across: they are made to run on from the widest gap.
void open_at_widest_gap(RoughPositions& out) {
    for (int c = 0; c < out.components; ++c) {
        std::vector<double> yaws;
        for (size_t i = 0; i < out.aims.size(); ++i) {
            if (out.component[i] == c) yaws.push_back(yaw_between(0, out.aims[i].yaw_deg));
        }
        std::sort(yaws.begin(), yaws.end());
        double gap = 360 - (yaws.back() - yaws.front());
        double start = yaws.front();
        for (size_t k = 1; k < yaws.size(); ++k) {
            if (yaws[k] - yaws[k - 1] <= gap) continue;
            gap = yaws[k] - yaws[k - 1];
            start = yaws[k];
        }
        if (c == 0) out.widest_gap_deg = gap;
        start -= 0.5 * gap;
        for (size_t i = 0; i < out.aims.size(); ++i) {
            if (out.component[i] != c) continue;
            double& yaw = out.aims[i].yaw_deg;
            yaw = start + (yaw - start) - 360 * std::floor((yaw - start) / 360);
        }
    }
}

}  // namespace

Aim aim_seen_from(Aim from, double right_deg, double up_deg) {
    const double u = up_deg * kRadPerDeg;
    const double r = right_deg * kRadPerDeg;
    const double p = from.pitch_deg * kRadPerDeg;
    const double x = std::cos(u) * std::sin(r);
    const double y = std::sin(u);
    const double z = std::cos(u) * std::cos(r);
    const double up = y * std::cos(p) + z * std::sin(p);
    const double ahead = z * std::cos(p) - y * std::sin(p);
    return {from.yaw_deg + std::atan2(x, ahead) * kDegPerRad,
            std::asin(std::clamp(up, -1.0, 1.0)) * kDegPerRad};
}

double yaw_between(double a_deg, double b_deg) { return std::remainder(b_deg - a_deg, 360.0); }

RoughPositions rough_positions(size_t frames, std::span<const Displacement> displacements,
                               double width_deg, double height_deg) {
    RoughPositions out;
    out.aims.resize(frames);
    std::vector<Displacement> list(displacements.begin(), displacements.end());
    const std::vector<double> scores = link_scores(frames, list, width_deg, height_deg);
    const double askew = camera_askew(list, scores, height_deg);
    for (Displacement& d : list) {
        const double x = d.right_deg;
        const double y = d.up_deg;
        d.right_deg = x * std::cos(askew) - y * std::sin(askew);
        d.up_deg = x * std::sin(askew) + y * std::cos(askew);
    }
    const std::vector<Tree> trees = spanning_trees(frames, list, scores, out);
    const Solver solver(list, width_deg, height_deg);
    std::vector<std::vector<size_t>> links(trees.size());
    for (size_t k = 0; k < list.size(); ++k) {
        const int c = out.component[list[k].a];
        if (c >= 0 && c == out.component[list[k].b]) links[static_cast<size_t>(c)].push_back(k);
    }
    out.kept.assign(list.size(), false);
    std::vector<bool> joined(frames);
    for (size_t c = 0; c < trees.size(); ++c) {
        const Placed placed = place(solver, trees[c], links[c], out.aims);
        if (c == 0) out.pitch_known = placed.pitch_known;
        for (const size_t k : links[c]) {
            const Residual r = solver.residual(k, out.aims, placed.scale);
            if (std::hypot(r.x, r.y) > 4 * Solver::kTau) continue;
            out.kept[k] = true;
            joined[list[k].a] = joined[list[k].b] = true;
        }
    }
    // What is left, without gaps in the numbers.
    std::vector<int> number(trees.size(), -1);
    out.components = 0;
    for (size_t c = 0; c < trees.size(); ++c) {
        for (const Tree::Step& s : trees[c].steps) {
            if (joined[s.frame] && number[c] < 0) number[c] = out.components++;
        }
    }
    for (size_t i = 0; i < frames; ++i) {
        out.component[i] = joined[i] ? number[static_cast<size_t>(out.component[i])] : -1;
    }
    open_at_widest_gap(out);
    return out;
}

}  // namespace broadloom
