/// The sample shoot: its exact scene, and its frames cut from a world.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <vector>

#include "broadloom/camera.hpp"
#include "broadloom/scene.hpp"
#include "support/exif_block.hpp"
#include "support/procedural_world.hpp"

namespace broadloom::test {

/// What lies behind a file of the card, in the order in which they were taken.
struct SampleTake {
    size_t cell = 0;            ///< column by column from the top left
    bool first_of_two = false;  ///< taken again later
    bool spoilt = false;        ///< a lorry passes before the camera
};

/// 4 rows x 6 columns, photographed column by column from the top left. A lorry spoils one frame;
/// the head is stepped back by two frames, takes these two cells again and goes on.
std::vector<SampleTake> sample_takes();

/// The exact scene, a frame for every take: aim, lens, vignetting and gains as they were. Of the
/// cells taken twice the first take is left out.
Scene sample_scene();

/// The town at the moment when the lorry passes.
ProceduralWorld world_with_lorry();

/// What a frame records at its pixel (x, y), R, G, B in levels (0..255, not rounded), before noise:
/// the mean light over the pixel through the lens, its vignetting and the frame's gain, encoded.
std::array<double, 3> recorded(const ProceduralWorld& world, const Lens& lens, const Frame& frame,
                               int64_t x, int64_t y);

/// Makes the JPEG bytes of take `index` of the sample scene, with noise and camera data.
std::vector<uint8_t> make_frame(const ProceduralWorld& world, const Scene& scene, size_t index,
                                int quality);

/// Camera data of take `index`. Three seconds lie between frames, more at a turn to the next column
/// and before the head is stepped back.
ExifData sample_exif(const Camera& camera, size_t index);

}  // namespace broadloom::test
