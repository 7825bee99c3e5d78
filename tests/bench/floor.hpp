/// The floor: what any program must do, decode every frame once and encode every tile once, by
/// TurboJPEG from and to RGBX with its defaults (integer DCT, no optimised Huffman tables), files
/// in memory.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace broadloom::test {

struct Floor {
    double decode_seconds = 0, encode_seconds = 0;
    double cpu_seconds = 0;  ///< of both
    int64_t frames = 0, tiles = 0;
    double decoded_megapixels = 0;  ///< scaled decodes count as scaled
    double frame_bits_per_pixel = 0, tile_bits_per_pixel = 0;
    [[nodiscard]] double seconds() const { return decode_seconds + encode_seconds; }
};

/// Decodes the scene's frames at the scale that the render would choose and encodes as many tiles
/// of 512 pixels a side as all levels of its canvas have pixels for, cut from the decoded frames,
/// in quality and chroma of a render with the default options.
Floor measure_floor(const std::filesystem::path& scene, bool draft, double scale, int threads);

/// Seconds that a thread each takes together to decode `files` to RGB, the last ones to end
/// counted; `pixels` receives each frame's, rows without gaps.
double decode_frames(const std::vector<std::filesystem::path>& files, int threads,
                     std::vector<std::vector<uint8_t>>& pixels, int& width, int& height);

/// Processor time of this process so far, all threads: on a busy machine it says more than the
/// clock.
double processor_seconds();

std::vector<uint8_t> file_bytes(const std::filesystem::path& path);

}  // namespace broadloom::test
