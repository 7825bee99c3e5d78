/// The part of the canvas that a job renders, and what its masks leave bare there.
#pragma once

#include "render/job.hpp"

namespace broadloom {

/// The whole canvas, or the part asked for in degrees or pixels. Throws Error{usage} when there is
/// none such; for the inner crop the whole.
Rect area_asked_for(const Canvas& whole, const Crop& crop);

/// The largest rectangle of job.canvas that its frames cover wherever small shifts may move their
/// pixels. Needs the job's frames. Throws Error{input} when no pixel is covered.
Rect inner_area(const RenderJob& job);

/// What was cut off, for the plan.
std::string area_note(const RenderJob& job);

/// Looks for what masks leave bare in the job's area, counts it in the plan and adds notes that say
/// where it is and what to do.
void note_mask_gaps(RenderJob& job);

}  // namespace broadloom
