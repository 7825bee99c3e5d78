/// Parts of a canvas that are rendered alone. A part keeps the pixels of the whole: it is a
/// rectangle of them. On a canvas that wraps, x0 lies in [0, width), and x1 may reach beyond its
/// right edge.
#pragma once

#include <string>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"

namespace broadloom {

/// The sides that somebody asked for, pixels of the whole canvas or degrees.
struct CropSides {
    double left = 0, top = 0, right = 0, bottom = 0;
};

/// Longitudes may be turned by whole turns; sides are moved to the nearest pixel edge. Throws
/// Error{usage} naming the sides when they are empty, swapped or outside.
Rect crop_by_degrees(const Canvas& whole, const CropSides& sides);

/// On a canvas that wraps, x counts on over either edge. Throws likewise.
Rect crop_by_pixels(const Canvas& whole, const CropSides& sides);

/// The canvas of a part. It wraps when it goes all the way round.
Canvas cropped(const Canvas& whole, const Rect& part);

/// For people: "9000 x 4000 pixels from (120, 35) on, longitude -12.5 to 33.2, latitude 14 to -6".
std::string describe_part(const Canvas& whole, const Rect& part);

}  // namespace broadloom
