/// What the frames' gains leave over of exposure and colour, at low frequency: where frames
/// overlap their light is compared, and one robust least-squares solve spreads the differences
/// smoothly over the frames, so that no frame shows as a patch in a sky.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "canvas/frame_fields.hpp"
#include "canvas/frame_geometry.hpp"
#include "settle/coarse_frame.hpp"

namespace broadloom {

/// No pixel's light is changed by more than this factor's logarithm, about: half a stop.
inline constexpr double kMostLogGain = 0.34657359027997264;  // log(2) / 2

struct LightReport {
    size_t pairs = 0;    ///< pairs of frames compared
    size_t samples = 0;  ///< places compared and believed
    /// Root mean square difference there of the logarithms of linear light, all channels.
    double rms_before = 0, rms_after = 0;
    /// The picture's average in linear light, R, G, B, after / before.
    std::array<double, 3> average{1, 1, 1};
};

/// Light fields of all frames (no shifts). Empty for a frame that meets no other, and for all when
/// the differences are too small to be seen. The average of the picture, every pixel taken from
/// the frame whose centre is nearest, stays what it was. Depends on the frames alone, not on the
/// number of threads.
std::vector<FrameFields> solve_light(const CoarseCanvas& coarse,
                                     const std::vector<FrameGeometry>& geometry,
                                     const CoarseFrames& frames, int threads,
                                     LightReport* report = nullptr);

/// Multiplies the light of a frame's covered pixels by its fields.
void apply_light(CoarseFrame& frame, const CoarseCanvas& coarse, const FrameGeometry& geometry,
                 const FrameFields& fields);

}  // namespace broadloom
