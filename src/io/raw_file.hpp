/// Camera raw files, through LibRaw: recognised by content, developed to 16-bit sRGB TIFF.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <string>

#include "io/photo_tags.hpp"

namespace broadloom {

/// Told from the content, whatever the name. Throws Error{machine} for I/O errors, Error{input} for
/// a missing or empty file.
bool is_raw_file(const std::filesystem::path& path, const std::string& name);

struct RawInfo {
    int64_t width = 0, height = 0;  ///< of the developed, upright picture
    PhotoTags tags;
    std::array<double, 4> white{1, 1, 1, 1};  ///< the camera's multipliers R, G, B, G2; G = 1
};

/// Throws Error{input} when the file is damaged or of a camera that the library does not know,
/// advising to develop it to 16-bit TIFF.
RawInfo probe_raw(const std::filesystem::path& path, const std::string& name);

/// Bytes that the developed file takes (upper bound), and memory that developing takes.
int64_t developed_bytes(const RawInfo& info);
int64_t develop_memory_bytes(const RawInfo& info);

/// Develops with the given white balance, sRGB primaries and transfer curve, no automatic
/// brightening, full resolution, upright, and writes a 16-bit RGB TIFF (deflate, predictor)
/// atomically to `out`.
void develop_raw(const std::filesystem::path& path, const std::string& name,
                 const std::array<double, 4>& white, const std::filesystem::path& out);

}  // namespace broadloom
