/// A decoded frame made ready for the warp.
#pragma once

#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"
#include "io/frame_reader.hpp"

namespace broadloom {

/// Reads `pixels` (which must outlive it) with the corrections of `geometry`.
FrameSampler frame_sampler_of(const FramePixels& pixels, const FrameGeometry& geometry);

}  // namespace broadloom
