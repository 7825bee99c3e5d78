/// The sample shoot: its exact scene, and its frames cut from a world.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/scene.hpp"
#include "support/exif_block.hpp"
#include "support/procedural_world.hpp"

namespace broadloom::test {

/// 4 rows x 6 columns, numbered column by column from the top left; aim, lens, vignetting and gains
/// as they were.
Scene sample_scene();

/// What a frame records at its pixel (x, y), R, G, B in levels (0..255, not rounded), before noise:
/// the mean light over the pixel through the lens, its vignetting and the frame's gain, encoded.
std::array<double, 3> recorded(const ProceduralWorld& world, const Lens& lens, const Frame& frame,
                               int64_t x, int64_t y);

/// Makes the JPEG bytes of frame `index` of a scene, with noise and camera data.
std::vector<uint8_t> make_frame(const ProceduralWorld& world, const Scene& scene, size_t index,
                                int quality);

/// Camera data of frame `index`.
ExifData sample_exif(const Camera& camera, size_t index);

}  // namespace broadloom::test
