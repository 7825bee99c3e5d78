#include "pyramid/quadtree.hpp"

#include <algorithm>

namespace broadloom {

namespace {

class Builder {
  public:
    explicit Builder(Quadtree& tree) : tree_(tree) {}

    /// Appends the subtree below (level, column, row) and returns its root's index.
    int64_t add(int level, int64_t column, int64_t row) {
        QuadNode node;
        node.level = level;
        node.column = column;
        node.row = row;
        std::vector<int64_t> children;
        if (level < tree_.leaf_level) {
            for (int64_t r = 2 * row; r <= 2 * row + 1; ++r) {
                for (int64_t c = 2 * column; c <= 2 * column + 1; ++c) {
                    if (c < tree_.shape.columns(level + 1) && r < tree_.shape.rows(level + 1)) {
                        children.push_back(add(level + 1, c, r));
                    }
                }
            }
            node.children = static_cast<int>(children.size());
        } else {
            node.leaf = static_cast<int64_t>(tree_.leaves.size());
            tree_.leaves.push_back(static_cast<int64_t>(tree_.nodes.size()));
        }
        const auto index = static_cast<int64_t>(tree_.nodes.size());
        tree_.nodes.push_back(node);
        for (const int64_t child : children) tree_.nodes[static_cast<size_t>(child)].parent = index;
        return index;
    }

  private:
    Quadtree& tree_;
};

}  // namespace

Quadtree::Quadtree(const PyramidShape& picture, int64_t block)
    : shape(picture), leaf_level(picture.levels() - 1) {
    for (int64_t span = shape.tile; span < block && leaf_level > 0; span *= 2) --leaf_level;
    Builder(*this).add(0, 0, 0);
}

Rect Quadtree::picture_rect(const QuadNode& node) const {
    const int up = shape.levels() - 1 - node.level;
    const int64_t span = shape.tile << up;
    return intersect(
        {node.column * span, node.row * span, (node.column + 1) * span, (node.row + 1) * span},
        {0, 0, shape.width, shape.height});
}

}  // namespace broadloom
