/// Matches on things that moved: clouds, people, branches.
#pragma once

#include <vector>

#include "align/frame_set.hpp"
#include "align/joint_solve.hpp"

namespace broadloom {

/// Takes from each link the matches that lie far off where most of the pair's lie (more than 4.5
/// times its usual error, and at least half a pixel). PairLink::tentative keeps how many there
/// were. Links with fewer than 8 left are no longer accepted and are removed.
void drop_moved(const FrameSet& set, const SolveResult& solution, std::vector<PairLink>& links);

}  // namespace broadloom
