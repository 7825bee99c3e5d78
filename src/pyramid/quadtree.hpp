/// The order of work: a children-first walk of the pyramid's tiles. Four finished children are
/// shrunk into their parent and released, so memory is O(levels x block) whatever the picture's
/// width.
#pragma once

#include <cstdint>
#include <vector>

#include "broadloom/pyramid.hpp"

namespace broadloom {

/// A node is a cell of some level; leaves are cells of `leaf_level`, which stand for a block of the
/// picture of 2^(top - leaf_level) cells a side.
struct QuadNode {
    int level = 0;
    int64_t column = 0, row = 0;
    int64_t parent = -1;  ///< index into Quadtree::nodes; -1: the root
    int children = 0;     ///< that exist; 0: a leaf
    int64_t leaf = -1;    ///< index into Quadtree::leaves, or -1
};

/// Nodes in the order in which they are finished and committed: children (upper left, upper right,
/// lower left, lower right) before their parent.
struct Quadtree {
    PyramidShape shape;
    int leaf_level = 0;
    std::vector<QuadNode> nodes;
    std::vector<int64_t> leaves;  ///< indices of nodes, in order

    /// Leaves are cells of the level whose cells span at least `block` pixels of the picture (but
    /// not above level 0).
    Quadtree(const PyramidShape& shape, int64_t block);

    /// The picture's pixels that a node stands for.
    [[nodiscard]] Rect picture_rect(const QuadNode& node) const;

    /// Levels above the leaves.
    [[nodiscard]] int height() const { return leaf_level; }
};

}  // namespace broadloom
