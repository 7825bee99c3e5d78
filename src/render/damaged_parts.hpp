/// What of a finished result does not match its checksums, for a repair.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/work.hpp"
#include "render/checksums.hpp"
#include "render/result_files.hpp"

namespace broadloom {

struct DamagedParts {
    PyramidShape shape, tiff_shape;
    Checksums checksums;            ///< kNoSum where the list says nothing
    bool checksums_good = false;    ///< the list is the one that the report was sealed with
    std::optional<Sha256Sum> list;  ///< the sum of that list, where the report is whole
    TiffTiles tiff_tiles;
    bool tiff_tiles_good = false;
    bool report = false;                               ///< damaged, as all below
    bool tiff = false;                                 ///< some of pano.tif
    std::vector<std::string> files;                    ///< the others that are listed and no tiles
    std::vector<std::vector<bool>> tiles, tiff_parts;  ///< [level][row * columns + column]
    int64_t tile_count = 0, tiff_count = 0;
    std::vector<std::string> notes;

    [[nodiscard]] bool any() const {
        return report || tiff || !checksums_good || !tiff_tiles_good || !files.empty() ||
               tile_count + tiff_count > 0;
    }
    [[nodiscard]] bool has_file(const std::string& name) const;
    [[nodiscard]] bool tile_at(int level, int64_t column, int64_t row) const;
    [[nodiscard]] bool tiff_at(int level, int64_t column, int64_t row) const;
};

/// Reads the whole result. `files`: what the list names besides tiles and pano.tif. Throws
/// Error{machine}, and what a stop throws.
DamagedParts find_damaged_parts(const std::filesystem::path& folder, const PyramidShape& shape,
                                const PyramidShape& tiff_shape,
                                const std::vector<std::string>& files, int threads,
                                const WorkHooks& hooks);

}  // namespace broadloom
