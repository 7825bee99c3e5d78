/// A decoded frame made ready for the warp.
#pragma once

#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"
#include "io/frame_reader.hpp"

namespace broadloom {

/// Reads `pixels` with the corrections of `geometry` and converts by `stage` (null: not at all);
/// the pixels and the stage must outlive it.
FrameSampler frame_sampler_of(const FramePixels& pixels, const FrameGeometry& geometry,
                              const ColourStage* stage);

}  // namespace broadloom
