/// Writes a tiled pyramidal BigTIFF in one pass: tiles of all levels are appended in the order in
/// which they come, the directories (main chain, largest first, NewSubfileType 1 from the second on)
/// are written at the end. TIFF 6.0, Technical Note 2 (JPEG compression 7, JPEGTables), BigTIFF
/// (version 43, 8-byte offsets).
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "broadloom/pyramid.hpp"

namespace broadloom {

struct TiffPyramidOptions {
    int64_t tile = 512;             ///< side of a tile, a multiple of 16
    bool subsampled = true;         ///< YCbCr 4:2:0 (YCbCrSubSampling 2,2) or 4:4:4 (1,1)
    double pixels_per_inch = 300;   ///< XResolution, YResolution; halved on each smaller level
    std::string software;           ///< Software tag
    std::string description;        ///< ImageDescription; empty: none
    std::vector<uint8_t> icc;       ///< ICC profile for every level; empty: none
};

/// The levels written are those of PyramidShape{width, height, tile} from the largest down to the
/// first that fits one tile.
class TiffPyramidWriter {
  public:
    /// Creates the file (it must not exist). Throws Error{machine}.
    TiffPyramidWriter(std::filesystem::path file, const PyramidShape& shape,
                      TiffPyramidOptions options);
    ~TiffPyramidWriter();
    TiffPyramidWriter(const TiffPyramidWriter&) = delete;
    TiffPyramidWriter& operator=(const TiffPyramidWriter&) = delete;

    /// True when this level (numbered as in PyramidShape) is part of the file.
    [[nodiscard]] bool has_level(int level) const;

    /// The JPEGTables of all tiles; set once before finish().
    void set_tables(std::vector<uint8_t> tables);

    /// Appends one tile (an abbreviated JPEG stream of tile x tile pixels). Each tile exactly once.
    /// Throws Error{machine} on I/O errors (full disk, quota, short write).
    void put(int level, int64_t column, int64_t row, std::span<const uint8_t> data);

    /// Writes the directories, syncs and closes. Every tile must have been put.
    void finish();

  private:
    struct Level {
        int number;
        int64_t width, height, columns, rows;
        std::vector<uint64_t> offsets, counts;
    };
    void append(std::span<const uint8_t> data);
    Level& level_of(int level);

    std::filesystem::path file_;
    PyramidShape shape_;
    TiffPyramidOptions options_;
    std::vector<Level> levels_;  // largest first
    std::vector<uint8_t> tables_;
    std::vector<uint8_t> pending_;  // written behind in large pieces
    uint64_t position_ = 0;
    int fd_ = -1;
};

}  // namespace broadloom
