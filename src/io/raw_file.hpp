/// Camera raw files, through LibRaw: recognised by content, developed to 16-bit sRGB TIFF.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>

#include "io/photo_tags.hpp"

namespace broadloom {

/// Told from the content, whatever the name: TIFF-like files by what their first directory
/// declares, JPEG and PNG files never, other files by their signature or by LibRaw's word. Throws
/// Error{machine} for I/O errors, Error{input} for a missing or empty file.
bool is_raw_file(const std::filesystem::path& path, const std::string& name);

struct RawInfo {
    int64_t width = 0, height = 0;  ///< of the developed, upright picture
    PhotoTags tags;
    std::array<double, 4> white{1, 1, 1, 1};      ///< the camera's multipliers R, G, B, G2; G = 1
    int64_t sensor_width = 0, sensor_height = 0;  ///< as stored, masked borders included
    bool mosaic = true;  ///< one value a pixel; false: all colours of each pixel are stored
};

/// Throws Error{input} when the file is damaged or of a camera that the library does not know,
/// advising to develop it to 16-bit TIFF.
RawInfo probe_raw(const std::filesystem::path& path, const std::string& name);

/// Bytes that the developed file takes, and memory that developing takes; upper bounds, tested.
int64_t developed_bytes(const RawInfo& info);
int64_t develop_memory_bytes(const RawInfo& info);

/// Develops with the given white balance, sRGB primaries and transfer curve, no automatic
/// brightening, full resolution, upright, and writes a 16-bit RGB TIFF (deflate, predictor)
/// atomically to `out`, with those of the photograph's tags that still hold. `white` are
/// multipliers R, G, B, G2, above zero (G2 of 0: as G). The white level is the camera's, not the
/// picture's, so that frames of one set keep one brightness. Throws Error{input} for damaged,
/// truncated and unknown files, Error{machine} when the machine refuses; then nothing is left at or
/// beside `out` that was not there before.
///
/// LibRaw works on as many OpenMP threads as there are processors unless this is called by
/// run_workers() on more than one; the result is the same.
void develop_raw(const std::filesystem::path& path, const std::string& name,
                 const std::array<double, 4>& white, const std::filesystem::path& out);

}  // namespace broadloom
