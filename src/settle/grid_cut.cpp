#include "settle/grid_cut.hpp"

#include <algorithm>
#include <cassert>
#include <limits>

namespace broadloom {

namespace {

constexpr int32_t kFar = std::numeric_limits<int32_t>::max();
constexpr int32_t kNotQueued = -2;

size_t at(int32_t node) { return static_cast<size_t>(node); }

}  // namespace

void GridCut::reset(size_t nodes) {
    arcs_.assign(4 * nodes, {kNobody, 0});
    excess_.assign(nodes, 0);
    flow_ = 0;
}

void GridCut::add_costs(int32_t node, int32_t with_source, int32_t with_sink) {
    // The node pays `with_sink` when it is cut from the source, and the other way round. Only the
    // difference matters for the cut; what is common flows straight through.
    int32_t from_source = with_sink;
    int32_t to_sink = with_source;
    int32_t& excess = excess_[at(node)];
    (excess > 0 ? from_source : to_sink) += excess > 0 ? excess : -excess;
    flow_ += std::min(from_source, to_sink);
    excess = from_source - to_sink;
}

void GridCut::link(int32_t a, int32_t b, uint8_t slot, int32_t forth, int32_t back) {
    assert(arc(a, slot).to == kNobody && arc(b, slot ^ uint8_t{1}).to == kNobody);
    arc(a, slot) = {b, forth};
    arc(b, slot ^ uint8_t{1}) = {a, back};
}

void GridCut::activate(int32_t node) {
    if (next_[at(node)] != kNotQueued) return;
    next_[at(node)] = kNobody;
    if (last_ == kNobody) {
        first_ = node;
    } else {
        next_[at(last_)] = node;
    }
    last_ = node;
}

int32_t GridCut::next_active() {
    while (first_ != kNobody) {
        const int32_t node = first_;
        first_ = next_[at(node)];
        if (first_ == kNobody) last_ = kNobody;
        next_[at(node)] = kNotQueued;
        if (tree_[at(node)] != Tree::free) return node;
    }
    return kNobody;
}

int64_t GridCut::solve() {
    const size_t n = excess_.size();
    tree_.assign(n, Tree::free);
    parent_.assign(n, kNone);
    stamp_.assign(n, 0);
    distance_.assign(n, 0);
    next_.assign(n, kNotQueued);
    first_ = last_ = kNobody;
    orphans_.clear();
    orphans_done_ = 0;
    time_ = 0;
    for (size_t i = 0; i < n; ++i) {
        if (excess_[i] == 0) continue;
        tree_[i] = excess_[i] > 0 ? Tree::source : Tree::sink;
        parent_[i] = kRoot;
        distance_[i] = 1;
        activate(static_cast<int32_t>(i));
    }
    int32_t node = kNobody;
    for (;;) {
        if (node == kNobody || tree_[at(node)] == Tree::free) node = next_active();
        if (node == kNobody) break;
        int32_t from = kNobody;
        uint8_t slot = 0;
        if (!grow(node, from, slot)) {
            node = kNobody;
            continue;
        }
        ++time_;
        augment(from, slot);
        while (orphans_done_ < orphans_.size()) adopt(orphans_[orphans_done_++]);
        orphans_.clear();
        orphans_done_ = 0;
    }
    return flow_;
}

/// Adds the node's free neighbours to its tree. True when it touches the other tree: then `from`
/// and `slot` are an arc from the source's tree to the sink's that is not full.
bool GridCut::grow(int32_t node, int32_t& from, uint8_t& slot) {
    const Tree mine = tree_[at(node)];
    for (uint8_t s = 0; s < 4; ++s) {
        const Arc& out = arc(node, s);
        if (out.to == kNobody) continue;
        const Arc& usable = mine == Tree::source ? out : reverse(out, s);
        if (usable.left_over == 0) continue;
        const size_t other = at(out.to);
        if (tree_[other] == Tree::free) {
            tree_[other] = mine;
            parent_[other] = s ^ uint8_t { 1 };
            stamp_[other] = stamp_[at(node)];
            distance_[other] = distance_[at(node)] + 1;
            activate(out.to);
        } else if (tree_[other] != mine) {
            from = mine == Tree::source ? node : out.to;
            slot = mine == Tree::source ? s : s ^ uint8_t { 1 };
            return true;
        } else if (stamp_[other] <= stamp_[at(node)] && distance_[other] > distance_[at(node)]) {
            // A shorter way to the root.
            parent_[other] = s ^ uint8_t { 1 };
            stamp_[other] = stamp_[at(node)];
            distance_[other] = distance_[at(node)] + 1;
        }
    }
    return false;
}

/// Lets as much flow from the source to the sink as the path through this arc takes.
void GridCut::augment(int32_t from, uint8_t slot) {
    Arc& middle = arc(from, slot);
    int32_t most = middle.left_over;
    int32_t i = from;
    for (; parent_[at(i)] != kRoot; i = arc(i, parent_[at(i)]).to) {
        most = std::min(most, reverse(arc(i, parent_[at(i)]), parent_[at(i)]).left_over);
    }
    most = std::min(most, excess_[at(i)]);
    for (i = middle.to; parent_[at(i)] != kRoot; i = arc(i, parent_[at(i)]).to) {
        most = std::min(most, arc(i, parent_[at(i)]).left_over);
    }
    most = std::min(most, -excess_[at(i)]);

    flow_ += most;
    middle.left_over -= most;
    reverse(middle, slot).left_over += most;
    for (i = from; parent_[at(i)] != kRoot;) {
        const uint8_t s = parent_[at(i)];
        Arc& up = arc(i, s);
        up.left_over += most;
        Arc& down = reverse(up, s);
        down.left_over -= most;
        const int32_t above = up.to;
        if (down.left_over == 0) orphan(i);
        i = above;
    }
    excess_[at(i)] -= most;
    if (excess_[at(i)] == 0) orphan(i);
    for (i = middle.to; parent_[at(i)] != kRoot;) {
        const uint8_t s = parent_[at(i)];
        Arc& up = arc(i, s);
        up.left_over -= most;
        reverse(up, s).left_over += most;
        const int32_t above = up.to;
        if (up.left_over == 0) orphan(i);
        i = above;
    }
    excess_[at(i)] += most;
    if (excess_[at(i)] == 0) orphan(i);
    // Those near a root first: what hangs from them keeps its way there.
    std::reverse(orphans_.begin(), orphans_.end());
}

/// Arcs from a node to its root; kFar when it hangs from an orphan. Marks the way with the time, so
/// that the next question ends early.
int32_t GridCut::distance_to_root(int32_t node) {
    int32_t length = 0;
    for (int32_t i = node;;) {
        if (stamp_[at(i)] == time_) {
            length += distance_[at(i)];
            break;
        }
        const uint8_t p = parent_[at(i)];
        if (p == kOrphan) return kFar;
        ++length;
        if (p == kRoot) {
            stamp_[at(i)] = time_;
            distance_[at(i)] = 1;
            break;
        }
        i = arc(i, p).to;
    }
    int32_t left = length;
    for (int32_t i = node; stamp_[at(i)] != time_; i = arc(i, parent_[at(i)]).to) {
        stamp_[at(i)] = time_;
        distance_[at(i)] = left--;
    }
    return length;
}

/// Finds the orphan another parent in its tree, the one nearest to the root, or sets it free.
void GridCut::adopt(int32_t node) {
    const Tree mine = tree_[at(node)];
    uint8_t best = kNone;
    int32_t nearest = kFar;
    for (uint8_t s = 0; s < 4; ++s) {
        const Arc& out = arc(node, s);
        if (out.to == kNobody || tree_[at(out.to)] != mine) continue;
        const Arc& usable = mine == Tree::source ? reverse(out, s) : out;
        if (usable.left_over == 0) continue;
        const int32_t distance = distance_to_root(out.to);
        if (distance < nearest) {
            nearest = distance;
            best = s;
        }
    }
    if (best != kNone) {
        parent_[at(node)] = best;
        stamp_[at(node)] = time_;
        distance_[at(node)] = nearest + 1;
        return;
    }
    for (uint8_t s = 0; s < 4; ++s) {
        const Arc& out = arc(node, s);
        if (out.to == kNobody || tree_[at(out.to)] != mine) continue;
        const Arc& usable = mine == Tree::source ? reverse(out, s) : out;
        if (usable.left_over > 0) activate(out.to);
        if (parent_[at(out.to)] == (s ^ uint8_t{1})) orphan(out.to);
    }
    tree_[at(node)] = Tree::free;
    parent_[at(node)] = kNone;
}

}  // namespace broadloom
