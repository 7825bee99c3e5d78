/// How far a render has come, as a file from which it can go on: nodes are committed in the order
/// of the walk, so the number of the next node, the TIFF's state and the unfinished parents are
/// all.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "io/tiff_pyramid.hpp"
#include "render/checksums.hpp"
#include "render/parents.hpp"

namespace broadloom {

struct Checkpoint {
    int64_t next = 0;  ///< nodes before it are written
    TiffPyramidWriter::State tiff;
    TileSums sums;
    std::vector<Parents::Quarter> quarters;
};

/// The bytes of a checkpoint file, a checksum at the end.
std::string pack_checkpoint(const Checkpoint& checkpoint, std::string_view identity);

/// Reads one back; nullopt for anything damaged, cut short, or made for another job, walk or size
/// of pixels.
std::optional<Checkpoint> unpack_checkpoint(std::string_view bytes, std::string_view identity,
                                            const Quadtree& tree, int64_t pixel_bytes = 4);

}  // namespace broadloom
