/// The two canvases that are labelled: the reduced one, and the coarse one itself.
#pragma once

#include <memory>
#include <vector>

#include "settle/seam_move.hpp"
#include "settle/seam_reduced.hpp"

namespace broadloom {

class ReducedLevel final : public SeamLevel {
  public:
    ReducedLevel(const ReducedScene& scene, std::vector<int16_t>& labels,
                 const std::vector<uint8_t>& fixed)
        : SeamLevel(scene.span(), labels, static_cast<int32_t>(scene.side())),
          scene_(scene),
          fixed_(fixed) {}

    [[nodiscard]] Rect region(int frame) const override { return scene_.frame(frame).rect; }
    [[nodiscard]] std::unique_ptr<SeamView> view(const std::vector<int>& frames) const override;
    [[nodiscard]] bool fixed(int64_t x, int64_t y) const override {
        return !fixed_.empty() && fixed_[static_cast<size_t>(y * span().width + x)] != 0;
    }

  private:
    const ReducedScene& scene_;
    const std::vector<uint8_t>& fixed_;
};

class CoarseLevel final : public SeamLevel {
  public:
    /// `labels` begin as nobody's.
    CoarseLevel(const ReducedScene& scene, const CoarseFrames& source,
                std::vector<int16_t>& labels);

    /// Labels the pixels of one frame from the reduced canvas: its own where it covers them, and
    /// those that nobody else has had yet. To be called for each frame, not at the same time for
    /// two that meet.
    void take_over(int frame, const std::vector<int16_t>& reduced);
    /// Gives what the scene wants to avoid from a frame to others that see it. Moves go over to one
    /// frame at a time; what only several together can replace would stay.
    void give_away(int frame);

    [[nodiscard]] Rect region(int frame) const override;
    [[nodiscard]] std::unique_ptr<SeamView> view(const std::vector<int>& frames) const override;
    [[nodiscard]] bool fixed(int64_t x, int64_t y) const override {
        return !fixed_.empty() && fixed_[static_cast<size_t>(y * span().width + x)] != 0;
    }

  private:
    const ReducedScene& scene_;
    const CoarseFrames& source_;
    std::vector<uint8_t> fixed_;  // empty when nothing is kept
};

}  // namespace broadloom
