/// Frames on a coarse canvas with something that moved in each of them, made in memory.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "blend/label_grid.hpp"
#include "settle/coarse_frame.hpp"

namespace broadloom::test {

/// Frames held in memory.
class HeldFrames final : public CoarseFrames {
  public:
    void add(CoarseFrame frame) {
        frames_.push_back(std::make_shared<const CoarseFrame>(std::move(frame)));
    }
    [[nodiscard]] size_t count() const override { return frames_.size(); }
    [[nodiscard]] Rect rect(size_t frame) const override { return frames_[frame]->rect; }
    [[nodiscard]] std::shared_ptr<const CoarseFrame> get(size_t frame) const override {
        return frames_[frame];
    }

  private:
    std::vector<std::shared_ptr<const CoarseFrame>> frames_;
};

/// A canvas of these pixels, about half a degree wide, or all round.
CoarseCanvas flat_canvas(int64_t width, int64_t height, bool wraps = false);

struct MovingPlan {
    int columns = 4, rows = 3;
    int64_t width = 240, height = 160;  ///< of a frame
    double overlap = 0.35;
    double noise = 1.5;  ///< levels, of each frame's own
    bool objects = true;
    bool wraps = false;
    /// Things that walk: instead of one in each frame, so many that stand elsewhere in each frame
    /// that sees them, so that the picture may show them several times.
    int walkers = 0;
    double stride = 70;  ///< between two frames, at most, each way
};

/// What stands in one frame: the pixels of the canvas that it takes, also where its frame does not
/// cover them.
struct MovedThing {
    int frame = 0;
    int identity = 0;  ///< equal for one thing seen by several frames
    std::string kind;
    bool mostly_inside = true;   ///< the canvas's edge leaves more than half of it
    std::vector<size_t> pixels;  ///< of the canvas, row by row, where some frame covers
};

struct MovingScene {
    CoarseCanvas canvas;
    HeldFrames frames;
    std::vector<Rect> views;  ///< what each frame covers
    std::vector<MovedThing> things;
};

/// A textured ground; in each frame a person-like, vehicle-like or branch-like shape that differs
/// from it by 30 levels or more, anywhere, also across the frame's border.
std::unique_ptr<MovingScene> make_moving_scene(const MovingPlan& plan, uint64_t seed);

/// Whether the frame covers the pixel of the canvas, counted row by row.
bool sees(const MovingScene& scene, size_t frame, size_t pixel);

/// For each thing: whether a labelling exists that shows it, and all others that it has to do with,
/// whole or not at all, and none of them in two places.
std::vector<bool> can_be_whole_or_absent(const MovingScene& scene);

/// The share of a thing's pixels that are taken from its frame.
double share_shown(const MovingScene& scene, const LabelGrid& labels, const MovedThing& thing);
/// Between 2 % and 98 % shown.
bool is_cut(double share);
/// How many things the labels show whole, 98 % or more, in two or more places: of those that
/// `counted` tells, by place in scene.things, and that the canvas's edge leaves more than half of.
int count_doubled(const MovingScene& scene, const LabelGrid& labels,
                  const std::vector<bool>& counted);

/// Pixels whose label is a frame that does not cover them, or nobody where some frame does.
int64_t wrongly_labelled(const MovingScene& scene, const LabelGrid& labels);

/// Each pixel from the frame with the nearest centre that covers it.
LabelGrid nearest_centres(const MovingScene& scene);

/// A picture of the labelled scene, seams drawn in red when asked for, as PPM.
void write_labelled(const std::string& path, const CoarseCanvas& canvas, const CoarseFrames& frames,
                    const LabelGrid& labels, bool seams);

}  // namespace broadloom::test
