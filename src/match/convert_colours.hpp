/// Reduced colour frames in one colour space.
#pragma once

#include "image/colour_stage.hpp"
#include "match/reduced_frame.hpp"

namespace broadloom {

/// Converts a reduced frame by `stage`, which leads to the space that frames are compared in;
/// colours beyond black and white there are limited.
void convert_colours(const ColourStage& stage, ColourImage& image);

}  // namespace broadloom
