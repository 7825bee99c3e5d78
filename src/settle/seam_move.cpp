#include "settle/seam_move.hpp"

#include <algorithm>
#include <utility>

namespace broadloom {

namespace {

constexpr int16_t kOutside = -1;

}  // namespace

int64_t SeamMove::canvas_x(int64_t x) const {
    x += region_.x0;
    if (!span_.wraps) return x;
    return x < 0 ? x + span_.width : (x >= span_.width ? x - span_.width : x);
}

int64_t SeamMove::expand(SeamLevel& level, int frame, const MoveReach& reach) {
    region_ = level.region(frame);
    span_ = level.span();
    if (region_.empty()) return 0;
    width_ = region_.width();
    height_ = region_.height();
    if (!gather_labels(level, frame, region_)) return 0;
    const auto view = level.view(frames_);
    mark_near(reach, frame, level, *view);
    add_nodes(level, frame, *view);
    if (nodes_.empty()) return 0;
    add_edges(level, frame, *view);
    cut_.solve();
    int64_t changed = 0;
    for (size_t i = 0; i < nodes_.size(); ++i) {
        if (!cut_.with_sink(static_cast<int32_t>(i))) continue;
        level.set_label(nodes_[i].x, nodes_[i].y, frame);
        ++changed;
    }
    return changed;
}

/// The labels of the region and one pixel around it, and the frames among them. False when no other
/// frame is there.
bool SeamMove::gather_labels(const SeamLevel& level, int frame, const Rect& region) {
    labels_.assign(static_cast<size_t>((width_ + 2) * (height_ + 2)), kOutside);
    frames_.assign(1, frame);
    int16_t last = kOutside;
    for (int64_t y = -1; y <= height_; ++y) {
        const int64_t cy = region.y0 + y;
        if (cy < 0 || cy >= span_.height) continue;
        for (int64_t x = -1; x <= width_; ++x) {
            const int64_t cx = canvas_x(x);
            if (cx < 0 || cx >= span_.width) continue;
            const int16_t label = level.label(cx, cy);
            labels_[bordered(x, y)] = label;
            if (label == last || label < 0) continue;
            last = label;
            if (std::find(frames_.begin(), frames_.end(), int{label}) == frames_.end()) {
                frames_.push_back(label);
            }
        }
    }
    std::sort(frames_.begin(), frames_.end());
    return frames_.size() > 1;
}

void SeamMove::mark_near(const MoveReach& reach, int frame, const SeamLevel& level,
                         const SeamView& view) {
    const bool everywhere = reach.from == MoveReach::From::anywhere;
    near_.assign(static_cast<size_t>(width_ * height_), everywhere ? 1 : 0);
    if (everywhere) return;
    if (reach.from == MoveReach::From::own) {
        for (int64_t y = 0; y < height_; ++y) {
            for (int64_t x = 0; x < width_; ++x) {
                near_[inner(x, y)] = labels_[bordered(x, y)] == frame ? 1 : 0;
            }
        }
    } else if (reach.from == MoveReach::From::avoided) {
        const int32_t avoided = kAvoided * level.side() * level.side();
        for (int64_t y = 0; y < height_; ++y) {
            for (int64_t x = 0; x < width_; ++x) {
                const int16_t here = labels_[bordered(x, y)];
                if (here < 0 || here == frame) continue;
                if (view.preference(here, canvas_x(x), region_.y0 + y) >= avoided)
                    near_[inner(x, y)] = 1;
            }
        }
    } else {
        const int32_t least = reach.costly * kSeamUnit * level.side();
        for (int64_t y = 0; y < height_; ++y) {
            for (int64_t x = 0; x < width_; ++x) {
                const int16_t here = labels_[bordered(x, y)];
                if (here < 0) continue;
                for (const auto& [dx, dy] : {std::pair{1, 0}, std::pair{0, 1}}) {
                    const int16_t there = labels_[bordered(x + dx, y + dy)];
                    if (there < 0 || there == here) continue;
                    const int32_t cost =
                        level.side() * step_cost(view, here, canvas_x(x), region_.y0 + y, there,
                                                 canvas_x(x + dx), region_.y0 + y + dy);
                    if (cost >= least) near_[inner(x, y)] = 1;
                }
            }
        }
    }
    spread(reach.distance);
}

/// Marks what lies within a square around marked pixels.
void SeamMove::spread(int64_t distance) {
    const auto along = [&](size_t first, size_t step, int64_t count) {
        int64_t until = -1;  // marked up to here by what came before
        for (int64_t i = 0; i < count; ++i) {
            uint8_t& here = near_[first + static_cast<size_t>(i) * step];
            if (here == 1) {
                until = i + distance;
            } else if (i <= until) {
                here = 2;
            }
        }
        until = count;
        for (int64_t i = count - 1; i >= 0; --i) {
            uint8_t& here = near_[first + static_cast<size_t>(i) * step];
            if (here == 1) {
                until = i - distance;
            } else if (i >= until) {
                here = 2;
            }
        }
    };
    const auto settle = [&] {
        for (uint8_t& n : near_) n = n != 0 ? 1 : 0;
    };
    for (int64_t y = 0; y < height_; ++y) along(inner(0, y), 1, width_);
    settle();
    for (int64_t x = 0; x < width_; ++x) along(inner(x, 0), static_cast<size_t>(width_), height_);
    settle();
}

void SeamMove::add_nodes(const SeamLevel& level, int frame, const SeamView& view) {
    node_of_.assign(near_.size(), -1);
    nodes_.clear();
    for (int64_t y = 0; y < height_; ++y) {
        for (int64_t x = 0; x < width_; ++x) {
            const int16_t label = labels_[bordered(x, y)];
            if (near_[inner(x, y)] == 0 || label == frame || label < 0) continue;
            const int64_t cx = canvas_x(x);
            const int64_t cy = region_.y0 + y;
            if (!view.covers(frame, cx, cy) || level.fixed(cx, cy)) continue;
            node_of_[inner(x, y)] = static_cast<int32_t>(nodes_.size());
            nodes_.push_back({cx, cy, label, view.difference(frame, label, cx, cy)});
        }
    }
    cut_.reset(nodes_.size());
    for (size_t i = 0; i < nodes_.size(); ++i) {
        const Node& n = nodes_[i];
        cut_.add_costs(static_cast<int32_t>(i), view.preference(n.label, n.x, n.y),
                       view.preference(frame, n.x, n.y));
    }
}

/// By local coordinates, also on the other side of the canvas's edge where the region goes all
/// round; -1: the pixel does not change.
int32_t SeamMove::node_at(int64_t x, int64_t y) const {
    if (span_.wraps && width_ == span_.width) x = (x + width_) % width_;
    if (x < 0 || x >= width_ || y < 0 || y >= height_) return -1;
    return node_of_[inner(x, y)];
}

/// What it costs that one pixel is taken from k and its neighbour from l.
int32_t SeamMove::step_cost(const SeamView& view, int k, int64_t kx, int64_t ky, int l, int64_t lx,
                            int64_t ly) const {
    if (k == l || k < 0 || l < 0) return 0;
    const bool at_k = view.covers(l, kx, ky);
    const bool at_l = view.covers(k, lx, ly);
    if (!at_k && !at_l) return 0;  // no choice
    int32_t sum = 0;
    if (at_k) sum += view.difference(k, l, kx, ky);
    if (at_l) sum += view.difference(k, l, lx, ly);
    if (!at_k || !at_l) return kSeamLength + kSeamAtBorder + kDifferenceUnit * 2 * sum;
    return kSeamLength + kDifferenceUnit * sum;
}

void SeamMove::add_edges(const SeamLevel& level, int frame, const SeamView& view) {
    const int32_t side = level.side();
    const auto pair_up = [&](int32_t i, int64_t x, int64_t y, bool right) {
        const Node& n = nodes_[static_cast<size_t>(i)];
        const int32_t j = node_at(x, y);
        if (j < 0) {
            const int64_t cx = canvas_x(x);
            const int64_t cy = region_.y0 + y;
            const int16_t label = labels_[bordered(x, y)];
            const int32_t stays = side * step_cost(view, n.label, n.x, n.y, label, cx, cy);
            const int32_t goes = side * step_cost(view, frame, n.x, n.y, label, cx, cy);
            cut_.add_costs(i, stays, goes);
            return;
        }
        const Node& m = nodes_[static_cast<size_t>(j)];
        int32_t stays = 0;
        int32_t n_goes = side * (kSeamLength + kDifferenceUnit * (n.difference + m.difference));
        int32_t m_goes = n_goes;
        if (n.label != m.label) {
            stays = side * step_cost(view, n.label, n.x, n.y, m.label, m.x, m.y);
            n_goes = side * step_cost(view, frame, n.x, n.y, m.label, m.x, m.y);
            m_goes = side * step_cost(view, frame, m.x, m.y, n.label, n.x, n.y);
        }
        // stays + (0 - n_goes) for m, n_goes - stays for n, the rest on the arc. Differences are no
        // metric: where staying costs more than both halves, going over is made dearer, so that the
        // cost never rises.
        const int32_t arc = std::max(0, n_goes + m_goes - stays);
        const int32_t n_raised = arc + stays - m_goes;  // >= n_goes
        cut_.add_costs(i, stays, n_raised);
        cut_.add_costs(j, n_raised, 0);
        if (right) {
            cut_.link_right(i, j, arc, 0);
        } else {
            cut_.link_down(i, j, arc, 0);
        }
    };
    const auto fixed_neighbour = [&](int32_t i, int64_t x, int64_t y) {
        if (node_at(x, y) < 0) pair_up(i, x, y, true);  // pairs of nodes are met from the other one
    };
    for (int64_t y = 0; y < height_; ++y) {
        for (int64_t x = 0; x < width_; ++x) {
            const int32_t i = node_of_[inner(x, y)];
            if (i < 0) continue;
            pair_up(i, x + 1, y, true);
            pair_up(i, x, y + 1, false);
            fixed_neighbour(i, x - 1, y);
            fixed_neighbour(i, x, y - 1);
        }
    }
}

}  // namespace broadloom
