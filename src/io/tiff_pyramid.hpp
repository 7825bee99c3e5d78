/// Writes a tiled pyramidal BigTIFF in one pass: tiles of all levels are appended in the order in
/// which they come, the directories (main chain, largest first, NewSubfileType 1 from the second
/// on) are written at the end. TIFF 6.0, Technical Note 2 (JPEG compression 7, JPEGTables),
/// Photoshop Technical Notes (deflate, compression 8), BigTIFF (version 43, 8-byte offsets).
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "base/file_handle.hpp"
#include "broadloom/pyramid.hpp"

namespace broadloom {

/// How tiles are stored: JPEG (8 bits YCbCr), or deflate with horizontal differences (8 or 16 bits
/// RGB, DeflateTileEncoder).
enum class TiffCompression { jpeg, deflate };

struct TiffPyramidOptions {
    int64_t tile = 512;  ///< side of a tile, a multiple of 16
    TiffCompression compression = TiffCompression::jpeg;
    bool subsampled = true;        ///< JPEG: YCbCr 4:2:0 (YCbCrSubSampling 2,2) or 4:4:4 (1,1)
    int bits = 8;                  ///< a sample; 16 with deflate only
    bool alpha = false;            ///< with deflate only: a fourth sample, unassociated alpha
    double pixels_per_inch = 300;  ///< XResolution, YResolution; halved on each smaller level
    std::vector<uint8_t> icc;      ///< ICC profile for every level; empty: none
    std::string software;          ///< Software tag of every level; empty: none
    // What the first directory tells about the picture; empty: none.
    std::string description;  ///< ImageDescription
    std::string artist;       ///< Artist
    std::string copyright;    ///< Copyright
    std::string date_time;    ///< DateTime, "YYYY:MM:DD HH:MM:SS"
    std::string xmp;          ///< XMP packet (tag 700), as it is
};

/// The levels written are those of PyramidShape{width, height, tile} from the largest down to the
/// first that fits one tile.
class TiffPyramidWriter {
  public:
    /// Creates the file (it must not exist). Throws Error{machine}; Error{usage} for a tile side
    /// that is not a positive multiple of 16 or a resolution that no RATIONAL holds;
    /// Error{internal} for samples that the compression does not hold or a DateTime of another
    /// length.
    TiffPyramidWriter(std::filesystem::path file, const PyramidShape& shape,
                      TiffPyramidOptions options);

    /// What has been put so far: enough to go on later with a file that holds at least that much.
    struct State {
        uint64_t position = 0;  ///< of the next byte
        std::vector<uint8_t> tables;
        std::vector<std::vector<uint64_t>> offsets;  ///< by level, largest first
        std::vector<std::vector<uint32_t>> counts;
    };
    /// Goes on with an unfinished file: cuts off what came after `state`. Throws Error{machine}
    /// when the file is missing, shorter, or the state is another picture's.
    TiffPyramidWriter(std::filesystem::path file, const PyramidShape& shape,
                      TiffPyramidOptions options, State state);
    ~TiffPyramidWriter();
    TiffPyramidWriter(const TiffPyramidWriter&) = delete;
    TiffPyramidWriter& operator=(const TiffPyramidWriter&) = delete;

    /// True when this level (numbered as in PyramidShape) is part of the file.
    [[nodiscard]] bool has_level(int level) const;

    /// The JPEGTables of all tiles; set once before finish(), with JPEG only. Throws
    /// Error{internal} otherwise.
    void set_tables(std::vector<uint8_t> tables);

    /// Appends one tile of tile x tile pixels (an abbreviated JPEG stream, or what
    /// DeflateTileEncoder makes of the options' samples). Each tile exactly once
    /// (else Error{internal}). Throws Error{machine} on I/O errors (full disk, quota, size limit).
    /// Not to be called from two threads at a time.
    void put(int level, int64_t column, int64_t row, std::span<const uint8_t> data);

    /// Writes and syncs everything put so far and returns its state.
    State save();

    /// Where everything stands that has been put so far, durable or not.
    [[nodiscard]] State state() const;

    /// Writes the directories, syncs and closes. Every tile must have been put (else
    /// Error{internal}). Without it the destructor leaves a partial file with no directory in it,
    /// which no reader takes for a picture; deleting it is up to the caller.
    void finish();

  private:
    void lay_out(const PyramidShape& shape);
    struct Level {
        int number;
        int64_t width, height, columns, rows;
        std::vector<uint64_t> offsets;  // 0: not put yet
        std::vector<uint32_t> counts;
    };
    void append(std::span<const uint8_t> data);
    void flush();
    Level& level_of(int level);
    [[nodiscard]] std::vector<uint8_t> directory(size_t index, uint64_t position, bool last) const;

    std::filesystem::path file_;
    TiffPyramidOptions options_;
    std::vector<Level> levels_;  // largest first
    std::vector<uint8_t> tables_;
    std::vector<uint8_t> pending_;  // written behind in large pieces
    uint64_t position_ = 0;         // of the next byte appended
    FileHandle handle_;
};

}  // namespace broadloom
