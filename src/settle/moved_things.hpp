/// One thing in two places: what walks stands elsewhere in each frame, and seams that go round it
/// would show it wherever a frame that has it is the one taken. It is recognised by its look, so
/// that the picture shows it once.
#pragma once

#include <cstddef>
#include <cstdint>
#include <vector>

#include "broadloom/work.hpp"
#include "settle/coarse_frame.hpp"
#include "settle/seam_costs.hpp"

namespace broadloom {

class ReducedScene;

/// A place where one frame shows something that another does not.
struct MovedPlace {
    int frame = 0;           ///< the one that shows it
    Rect rect;               ///< coarse canvas pixels; x0 in [0, width), x1 may reach beyond
    std::vector<bool> mask;  ///< of the rectangle, set: the thing
    int64_t area = 0;        ///< pixels of the mask
};

/// Of two frames, from the pixels of `common` (as MovedPlace::rect) that are marked in `differs`,
/// row by row: those that both cover and where they differ by more than noise. The largest ones.
std::vector<MovedPlace> find_sightings(const FrameView& a, int a_index, const FrameView& b,
                                       int b_index, const Rect& common, const CanvasSpan& canvas,
                                       const std::vector<uint8_t>& differs);

class MovedThings {
  public:
    /// Of the scene's sightings, which are taken from it. Both outlive this.
    MovedThings(ReducedScene& scene, const CoarseFrames& source);

    /// Where the labels of the reduced canvas show a thing that they show elsewhere too, makes the
    /// scene prefer another frame, if there is one. Whether there was such a place.
    bool avoid_doubles(const std::vector<int16_t>& reduced, int threads, const WorkHooks& hooks);

  private:
    struct Twin {
        size_t sighting = 0;  // that is shown elsewhere too:
        int frame = -1;       // by this one; -1: by none
        Rect rect;
    };
    void merge(std::vector<MovedPlace> all);
    [[nodiscard]] bool shown(const MovedPlace& s, const std::vector<int16_t>& reduced) const;
    [[nodiscard]] Twin find_twin(size_t i, const std::vector<int16_t>& reduced) const;

    ReducedScene& scene_;
    const CoarseFrames& source_;
    std::vector<MovedPlace> sightings_;  // by frame
    std::vector<uint8_t> may_avoid_;     // by sighting
};

}  // namespace broadloom
