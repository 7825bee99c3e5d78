/// Minimum cut of a graph whose nodes have at most four neighbours (right, left, down, up), by the
/// augmenting paths of Boykov and Kolmogorov (IEEE PAMI 26(9), 2004): two search trees, grown from
/// source and sink, that are repaired after each path instead of being built again.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

namespace broadloom {

class GridCut {
  public:
    /// Starts anew with this many unlinked nodes. Memory grows only.
    void reset(size_t nodes);

    /// Adds to what it costs to leave a node with the source and with the sink. Not negative; the
    /// sums over all calls stay below 2^31.
    void add_costs(int32_t node, int32_t with_source, int32_t with_sink);

    /// `b` is the right (or lower) neighbour of `a`, once at most for each: what it costs when a is
    /// with the source and b with the sink, and the other way round. Not negative.
    void link_right(int32_t a, int32_t b, int32_t a_source, int32_t b_source) {
        link(a, b, 0, a_source, b_source);
    }
    void link_down(int32_t a, int32_t b, int32_t a_source, int32_t b_source) {
        link(a, b, 2, a_source, b_source);
    }

    /// The least cost. Nodes that could be on either side are with the source.
    int64_t solve();
    [[nodiscard]] bool with_sink(int32_t node) const {
        return tree_[static_cast<size_t>(node)] == Tree::sink;
    }

  private:
    enum class Tree : uint8_t { free, source, sink };
    /// A parent is one of the four arcs of a node or one of these.
    static constexpr uint8_t kRoot = 4, kOrphan = 5, kNone = 6;
    static constexpr int32_t kNobody = -1;
    struct Arc {
        int32_t to, left_over;  ///< what may still flow along it
    };

    void link(int32_t a, int32_t b, uint8_t slot, int32_t forth, int32_t back);
    [[nodiscard]] Arc& arc(int32_t node, uint8_t slot) {
        return arcs_[static_cast<size_t>(node) * 4 + slot];
    }
    [[nodiscard]] Arc& reverse(const Arc& a, uint8_t slot) { return arc(a.to, slot ^ uint8_t{1}); }
    void activate(int32_t node);
    int32_t next_active();
    bool grow(int32_t node, int32_t& from, uint8_t& slot);
    void augment(int32_t from, uint8_t slot);
    void adopt(int32_t node);
    int32_t distance_to_root(int32_t node);
    void orphan(int32_t node) {
        parent_[static_cast<size_t>(node)] = kOrphan;
        orphans_.push_back(node);
    }

    std::vector<Arc> arcs_;
    std::vector<int32_t>
        excess_;  ///< above 0: may still come from the source; below: go to the sink
    std::vector<Tree> tree_;
    std::vector<uint8_t> parent_;
    std::vector<int32_t> stamp_, distance_;  ///< to the root, as it was at that time
    std::vector<int32_t> next_;              ///< in the queue of active nodes
    int32_t first_ = kNobody, last_ = kNobody;
    std::vector<int32_t> orphans_;
    size_t orphans_done_ = 0;
    int32_t time_ = 0;
    int64_t flow_ = 0;
};

}  // namespace broadloom
