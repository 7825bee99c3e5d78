/// Seams: which frame each pixel of the coarse canvas is taken from, so that what stands elsewhere
/// in each frame is shown whole or not at all. A labelling of least cost, found by expansion moves
/// (Boykov, Veksler & Zabih, IEEE PAMI 23(11), 2001; Kwatra et al., SIGGRAPH 2003; Agarwala et al.,
/// SIGGRAPH 2004) on a reduced canvas first and then, in a band around its seams, on the coarse
/// one.
///
/// The cost of a labelling is, with r = (difference / (2 noise))^2 of the two frames at a pixel:
/// - for each pair of neighbours taken from different frames: 1/4, plus r + r^2 / 2 at both pixels,
///   so that where frames agree the seam is short and seeks what differs least, and crossing what
///   differs by ten times the noise costs a detour of hundreds of pixels. Difference: root mean
///   square over the channels of the frames' difference and half its gradient, less what the whole
///   pair differs by; noise: its median over the pair's overlap. Where only one of the two pixels
///   is seen by both frames, it counts twice, plus 4: a seam along a frame's border costs like any
///   other, and blending has no room there.
/// - for each pixel: a little for being near its frame's border, far from its middle, or clearly
///   less sharp than another frame is there; and 1 where it is taken from a frame that shows there
///   what is shown elsewhere too (moved_things.hpp).
#pragma once

#include <cstddef>

#include "blend/label_grid.hpp"
#include "broadloom/work.hpp"
#include "settle/coarse_frame.hpp"

namespace broadloom {

struct SeamOptions {
    /// Least noise of a frame pair's difference, levels: grain of two good frames.
    double least_noise = 2;
    /// Most noise, levels: what differs more is something that moved, not noise.
    double most_noise = 8;
    /// A pixel at the very border of its frame; falls to 0 over `border_reach` of the frame's
    /// shorter side. Small beside crossing a moved thing, large beside a detour of a few pixels.
    double border = 0.5;
    double border_reach = 1.0 / 12;
    /// A pixel at the frame's corner, growing with the square of the distance from the middle.
    double off_centre = 0.015;
    /// A pixel of a frame without any of the detail that another shows there.
    double unsharp = 0.1;
    /// Pixels on either side of a seam of the reduced canvas between which it may be moved.
    int band = 8;
    /// And where it still crosses something.
    int wide_band = 40;
    /// What is recognised in two places is shown in one of them, where another frame sees the other
    /// one; false: wherever the seams leave it.
    bool once = true;
};

/// Pixels that no frame covers have no label; those with kKeep have that frame's, the earliest if
/// there are several. Bytes do not depend on `threads`. Throws what `frames` throws, and Error when
/// the hooks ask for a stop.
LabelGrid solve_seams(const CoarseCanvas& canvas, const CoarseFrames& frames,
                      const SeamOptions& options, int threads, const WorkHooks& hooks = {});

}  // namespace broadloom
