/// The largest upright rectangle of a canvas without a bare pixel.
#pragma once

#include <optional>

#include "canvas/cover.hpp"

namespace broadloom {

/// Of covered pixels only, masks counted; on a canvas that wraps it may cross the edge (x0 lies in
/// [0, width)). No side can be moved outwards by a pixel. It is the largest of all where the canvas
/// has at most 32 megapixels; beyond that it is sought in steps of 2, 4, 8 or 16 px, and the
/// largest may be wider and higher by less than two steps. Nothing when no pixel is covered.
/// `threads` share the projections; the result does not depend on them.
std::optional<Rect> largest_covered(const Cover& cover, int threads);

}  // namespace broadloom
