/// Pieces of frames at 1:1 for the report.
#pragma once

#include <vector>

#include "align/align_page.hpp"
#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"

namespace broadloom {

/// The weakest pairs' (at most `most`, weak ones first, then the worst) same place in both frames,
/// around the match that is off most. Reads frames one at a time; none when a frame at full size
/// does not fit into `memory_bytes`.
std::vector<PairCrops> cut_crops(const FrameSet& set, const SolveResult& solution,
                                 const std::vector<PairLink>& links, const AlignReport& report,
                                 size_t most, int64_t memory_bytes);

}  // namespace broadloom
