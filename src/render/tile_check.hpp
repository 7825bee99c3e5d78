/// Checks tiles one by one: against their checksums, the level below and the TIFF.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "io/jpeg_codec.hpp"
#include "io/tiff_reader.hpp"
#include "pyramid/regrid.hpp"
#include "render/agreement.hpp"
#include "render/checksums.hpp"
#include "render/result_files.hpp"

namespace broadloom {

/// What all threads check against; null: not there.
struct CheckedResult {
    std::filesystem::path folder;
    PyramidShape shape, tiff_shape;
    const Checksums* checksums = nullptr;
    const TiffTiles* tiff_tiles = nullptr;
    bool tiff = false;  ///< pano.tif can be opened
};

/// The TIFF tiles of this result are its web tiles' cells.
bool tiff_has_cells(const PyramidShape& shape);

/// One thread's.
class TileChecker {
  public:
    TileChecker(const CheckedResult& result, Findings& findings);

    /// A decoded cell: the tile without its overlap.
    struct Cell {
        std::vector<uint8_t> pixels;  ///< of the tile with its overlap, 4 bytes each
        PictureView view;             ///< of the cell in it
        JpegSteps steps;
    };

    /// Reads, sums and decodes a tile; with `tiff` it is also held against the TIFF. nullopt when
    /// it is damaged; with `quietly` nobody is told.
    std::optional<Cell> check(int level, int64_t column, int64_t row, bool tiff, bool quietly);

    /// Tells when a cell and its part of the tile above do not show the same.
    void compare_with_above(const Cell& cell, int level, int64_t column, int64_t row,
                            const Cell& above);

    /// The sum of a TIFF tile that is no web tile's cell. Nothing without tiff_tiles.txt.
    void check_tiff_sum(int level, int64_t column, int64_t row);

    /// Head and end of a tile.
    void glance(int level, int64_t column, int64_t row);

  private:
    void check_tiff(int level, int64_t column, int64_t row, const Cell& cell);
    [[nodiscard]] const Sha256Sum* tiff_sum(int level, int64_t column, int64_t row) const;
    TiffPyramidReader& tiff();
    /// The TIFF's pixels of `rect` of a level as those of a web tile; where nothing is covered,
    /// `otherwise`.
    PictureView tiff_pixels(int level, const Rect& rect, const PictureView& otherwise);
    void convert_row(const uint8_t* samples, int64_t x, int64_t y, int64_t n,
                     const uint8_t* otherwise, uint8_t* rgbx);

    const CheckedResult& result_;
    Findings& findings_;
    JpegTileDecoder decoder_;
    std::unique_ptr<TiffPyramidReader> tiff_;
    std::vector<uint8_t> file_, abbreviated_, shrunk_, from_tiff_;
    std::vector<uint16_t> deep_, curve_;
};

}  // namespace broadloom
