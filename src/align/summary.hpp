/// What the report says of a solution: residuals by pair and by frame, what is weak.
#pragma once

#include <vector>

#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"
#include "broadloom/align.hpp"

namespace broadloom {

/// Fills pairs, frame reports, cameras, groups and totals. Frame indices in the report are those of
/// the scene.
void summarize(const Scene& scene, const FrameSet& set, const SolveResult& solution,
               const std::vector<PairLink>& links, AlignReport& report);

}  // namespace broadloom
