/// What a render takes: memory, disk, time.
#pragma once

#include <string>
#include <vector>

#include "render/job.hpp"

namespace broadloom {

/// What the process holds and will hold whatever it renders, bytes; read once, before anything
/// large is allocated.
size_t base_memory(bool settles);

/// Divides the budget; job.memory.base, job.tree, leaf_frames and most_candidates are set.
MemoryShares share_memory(const RenderJob& job);

/// Upper side of what the TIFF alone will take.
int64_t estimate_tiff(const RenderJob& job);

/// Upper side of what tiles and TIFF will take, from what the frames themselves take a pixel.
int64_t estimate_disk(const RenderJob& job);

/// Decodes that a cache of `capacity` bytes makes, one leaf after another.
int64_t forecast_decodes(const RenderJob& job, size_t capacity);

/// What more memory would be good for, with the figures; empty where the budget is ample.
/// `wanted_threads`: before memory limited them; `decodes`: forecast for the budget.
std::vector<std::string> memory_notes(const RenderJob& job, int wanted_threads, int64_t decodes);

/// Seconds that the render will likely take, from a short measurement of this processor.
double estimate_seconds(const RenderJob& job, int64_t decodes);

/// Refuses a job that cannot succeed: too little memory or disk. Throws Error. Apart from
/// prepare_job() because a finished result needs neither.
void check_resources(const RenderJob& job);

}  // namespace broadloom
