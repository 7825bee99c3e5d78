/// One move of the labelling: all pixels at once that gain by it go over to one frame.
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include "settle/grid_cut.hpp"
#include "settle/seam_costs.hpp"

namespace broadloom {

/// What a move asks about the frames near it, by canvas pixel (x in [0, width), y in [0, height)).
class SeamView {
  public:
    SeamView() = default;
    SeamView(const SeamView&) = delete;
    SeamView& operator=(const SeamView&) = delete;
    virtual ~SeamView() = default;
    [[nodiscard]] virtual bool covers(int frame, int64_t x, int64_t y) const = 0;
    /// In kDifferenceUnit, where both frames cover the pixel.
    [[nodiscard]] virtual int32_t difference(int k, int l, int64_t x, int64_t y) const = 0;
    /// What it costs to take the pixel from the frame, apart from its neighbours.
    [[nodiscard]] virtual int32_t preference(int frame, int64_t x, int64_t y) const = 0;
};

/// A canvas of labels, reduced or not.
class SeamLevel {
  public:
    SeamLevel(const CanvasSpan& span, std::vector<int16_t>& labels, int32_t side)
        : span_(span), labels_(labels), side_(side) {}
    SeamLevel(const SeamLevel&) = delete;
    SeamLevel& operator=(const SeamLevel&) = delete;
    virtual ~SeamLevel() = default;

    /// The pixels that the frame can cover: x0 in [0, width), no wider than the canvas, within it
    /// from top to bottom.
    [[nodiscard]] virtual Rect region(int frame) const = 0;
    [[nodiscard]] virtual std::unique_ptr<SeamView> view(const std::vector<int>& frames) const = 0;
    /// Whether the pixel's label was given and stays.
    [[nodiscard]] virtual bool fixed(int64_t x, int64_t y) const = 0;

    [[nodiscard]] const CanvasSpan& span() const { return span_; }
    [[nodiscard]] int16_t label(int64_t x, int64_t y) const { return labels_[index(x, y)]; }
    void set_label(int64_t x, int64_t y, int frame) {
        labels_[index(x, y)] = static_cast<int16_t>(frame);
    }
    /// Coarse pixels on a side of one of this level.
    [[nodiscard]] int32_t side() const { return side_; }

  private:
    [[nodiscard]] size_t index(int64_t x, int64_t y) const {
        return static_cast<size_t>(y * span_.width + x);
    }
    CanvasSpan span_;
    std::vector<int16_t>& labels_;
    int32_t side_;
};

/// The preference for what is shown elsewhere already: more than anything else comes to.
inline constexpr int32_t kAvoided = kSeamUnit - 1;

/// Which pixels a move may change.
struct MoveReach {
    enum class From : uint8_t {
        anywhere,
        own,      ///< within `distance` of pixels that the frame has
        costly,   ///< within `distance` of a seam that crosses something
        avoided,  ///< within `distance` of pixels with kAvoided
    };
    From from = From::anywhere;
    int64_t distance = 0;
    /// A step across a seam that costs this much, in kSeamUnit, crosses something.
    int32_t costly = 0;
};

/// Memory of one worker, used again.
class SeamMove {
  public:
    /// Lets `frame` take what lowers the cost; never raises it. How many pixels changed.
    int64_t expand(SeamLevel& level, int frame, const MoveReach& reach);

  private:
    struct Node {
        int64_t x, y;
        int32_t label, difference;  ///< between the frame and the label
    };
    bool gather_labels(const SeamLevel& level, int frame, const Rect& region);
    void mark_near(const MoveReach& reach, int frame, const SeamLevel& level, const SeamView& view);
    void spread(int64_t distance);
    void add_nodes(const SeamLevel& level, int frame, const SeamView& view);
    void add_edges(const SeamLevel& level, int frame, const SeamView& view);
    [[nodiscard]] int32_t step_cost(const SeamView& view, int k, int64_t kx, int64_t ky, int l,
                                    int64_t lx, int64_t ly) const;
    /// Local coordinates, -1 .. width (height) included: labels have a margin.
    [[nodiscard]] size_t bordered(int64_t x, int64_t y) const {
        return static_cast<size_t>((y + 1) * (width_ + 2) + x + 1);
    }
    [[nodiscard]] size_t inner(int64_t x, int64_t y) const {
        return static_cast<size_t>(y * width_ + x);
    }
    [[nodiscard]] int64_t canvas_x(int64_t x) const;
    [[nodiscard]] int32_t node_at(int64_t x, int64_t y) const;

    Rect region_;
    CanvasSpan span_;
    int64_t width_ = 0, height_ = 0;
    std::vector<int16_t> labels_;   // with a margin of one
    std::vector<uint8_t> near_;     // may change
    std::vector<int32_t> node_of_;  // -1: none
    std::vector<Node> nodes_;
    std::vector<int> frames_;
    GridCut cut_;
};

}  // namespace broadloom
