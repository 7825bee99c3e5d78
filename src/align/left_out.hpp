/// Takes that are left out, placed too, so that one word in the scene brings them back.
#pragma once

#include <array>
#include <optional>
#include <vector>

#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"

namespace broadloom {

struct PlacedTake {
    size_t scene_index = 0;
    Rotation rotation;
    std::array<double, 3> gain{1, 1, 1};
    bool by_matches = false;  ///< false: where the used take of the same cell is
};

/// Each left-out frame that shares its row and column with a used one, against the used frames
/// around it, which stay as they are. `solution` is levelled and has its vignetting; `gains` are
/// those of the set's frames. Unreadable files are passed over.
std::vector<PlacedTake> place_left_out(const Scene& scene, const FrameSet& set,
                                       const std::vector<FeatureSet>& features,
                                       const SolveResult& solution,
                                       const std::vector<std::array<double, 3>>& gains,
                                       const WorkHooks& hooks);

}  // namespace broadloom
