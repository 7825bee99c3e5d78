/// The canvases that the block renderer is tried on, each with its difficulty.
#pragma once

#include <vector>

#include "broadloom/rect.hpp"
#include "support/memory_frames.hpp"

namespace broadloom::test {

Camera made_up_camera(int64_t width, int64_t height, double focal_px);

/// Six frames of two sizes and all layouts on a flat piece of sphere with odd sides, one listed
/// twice; corners of the canvas stay uncovered.
MadeUpCanvas flat_sphere();
/// Everywhere covered, three frames, so that weights sum to one at every pixel.
MadeUpCanvas covered_sphere();
/// Round the whole sphere, 1024 pixels, frames over both poles and across the edge; gaps between.
MadeUpCanvas whole_sphere();
/// Round the whole sphere in 512 pixels, one frame over a pole.
MadeUpCanvas small_sphere();
/// A flat piece of cylinder, frames turned and with strong lenses.
MadeUpCanvas flat_cylinder();
/// Round the whole cylinder, 1024 pixels.
MadeUpCanvas whole_cylinder();
/// Six frames that all meet in one point.
MadeUpCanvas meeting_frames();

/// All of them that leave something bare or wrap or meet; covered_sphere() is left out.
std::vector<MadeUpCanvas> made_up_canvases();

/// A frame's aim, the rest left at its defaults.
Frame aimed(double yaw, double pitch, double roll);

/// A rectangle inside a canvas; on one that wraps also across its edge.
Rect random_rect(const Canvas& canvas, Dice& dice);

}  // namespace broadloom::test
