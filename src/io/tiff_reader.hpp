/// Reads back what TiffPyramidWriter wrote, by libtiff, and trusts nothing that it finds.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <span>
#include <vector>

#include "broadloom/pyramid.hpp"
#include "image/colour_space.hpp"

namespace broadloom {

class TiffPyramidReader {
  public:
    /// Opens the file, whose levels must be those of `shape` (tile: the TIFF's, a multiple of 16;
    /// without overlap) and all of one kind. Throws Error{damage} that says what is not so.
    TiffPyramidReader(std::filesystem::path file, const PyramidShape& shape);
    ~TiffPyramidReader();
    TiffPyramidReader(const TiffPyramidReader&) = delete;
    TiffPyramidReader& operator=(const TiffPyramidReader&) = delete;

    struct Kind {
        bool jpeg = true;  ///< otherwise deflate
        int bits = 8, samples = 3;
        ColourSpace colour = ColourSpace::srgb;
        bool operator==(const Kind&) const = default;
    };
    [[nodiscard]] const Kind& kind() const { return kind_; }

    /// Whether the file has this level, numbered as in PyramidShape.
    [[nodiscard]] bool has_level(int level) const;

    /// A tile's bytes as they stand in the file. Valid until the next call. Throws Error{damage}.
    std::span<const uint8_t> stored(int level, int64_t column, int64_t row);
    /// Where they begin.
    [[nodiscard]] uint64_t offset(int level, int64_t column, int64_t row);
    /// The JPEG tables of a level; empty when it has none.
    std::vector<uint8_t> tables(int level);
    /// A tile's samples, tile x tile pixels of kind().samples, 16-bit ones in the machine's order.
    /// Valid until the next call. Throws Error{damage}.
    std::span<const uint8_t> decode(int level, int64_t column, int64_t row);

  private:
    struct Level;
    Level& open_level(int level);
    [[noreturn]] void fail(int level, int64_t column, int64_t row, const char* what);

    std::filesystem::path file_;
    PyramidShape shape_;
    Kind kind_;
    int levels_in_file_ = 0;
    std::vector<std::unique_ptr<Level>> levels_;  // largest first; opened when needed
    std::vector<uint8_t> stored_, decoded_;
};

}  // namespace broadloom
