/// What reading and developing camera raw files share; not for other floors.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <span>
#include <string>

#include "io/photo_tags.hpp"

namespace broadloom::raw_detail {

/// The sRGB transfer curve (IEC 61966-2-1) on 16-bit values: linear to encoded.
const std::array<uint16_t, 65536>& srgb_curve();

/// Writes a 16-bit RGB TIFF with the tags. `fill` gives the samples of row y. Goes to a working
/// name beside `out`, then there. Throws Error{machine}; then no working name is left.
void write_tiff(const std::filesystem::path& out, int64_t width, int64_t height,
                const PhotoTags& tags,
                const std::function<void(int64_t y, std::span<uint16_t> row)>& fill);

}  // namespace broadloom::raw_detail
