/// The sums that a finished result carries, so that damage is noticed and named:
///
/// checksums.txt: a line for each file, as sha256sum writes and checks them ("sha256sum -c
/// checksums.txt"), the tiles by level, row and column first, then the other files. report.json is
/// not among them: its times differ from run to run. It carries the sum of checksums.txt instead,
/// and a seal over its own text.
///
/// tiff_tiles.txt: a line for each tile of pano.tif, largest level first: "LEVEL/COLUMN_ROW OFFSET
/// BYTES SUM" behind a first line with the job's identity. The sum is that of the tile's bytes in
/// the file, or "=" where they are those of the web tile of that name without its tables and
/// application segments.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "base/file_handle.hpp"
#include "broadloom/pyramid.hpp"
#include "io/sha256.hpp"
#include "io/tiff_pyramid.hpp"

namespace broadloom {

inline constexpr const char* kChecksumsName = "checksums.txt";
inline constexpr const char* kTiffTilesName = "tiff_tiles.txt";

/// No file has this sum as far as anybody knows; it stands for "none".
inline constexpr Sha256Sum kNoSum{};

/// Sums of all tiles: [level][row * columns + column], kNoSum where there is none.
struct TileSums {
    TileSums() = default;
    TileSums(const PyramidShape& tiles, const PyramidShape& tiff_tiles);
    std::vector<std::vector<Sha256Sum>> tiles;
    std::vector<std::vector<Sha256Sum>> tiff;  ///< of tiles that are no web tile's
    [[nodiscard]] bool same_shape(const TileSums& other) const;
};

/// A text file that is written line by line, durable and summed when finished.
class SummedFile {
  public:
    /// Creates or empties `path`. Throws Error{machine}, as all of these.
    explicit SummedFile(std::filesystem::path path);
    void add(std::string_view text);
    Sha256Sum finish();

  private:
    void flush();
    std::filesystem::path path_;
    FileHandle handle_;
    Sha256Stream sum_;
    std::string pending_;
};

/// A tile's name without its ending, like "12/3_4".
std::string tile_key(int level, int64_t column, int64_t row);

/// Writes tiff_tiles.txt; its sum. `state`: of the finished TIFF, whose tiles have `shape`.
Sha256Sum write_tiff_tiles(const std::filesystem::path& path, const PyramidShape& shape,
                           const TiffPyramidWriter::State& state, const TileSums& sums,
                           std::string_view job);

/// Writes checksums.txt; its sum. `files`: those that are no tiles, in their order.
Sha256Sum write_checksums(const std::filesystem::path& path, const PyramidShape& shape,
                          const TileSums& sums,
                          const std::vector<std::pair<std::string, Sha256Sum>>& files);

/// checksums.txt read back.
struct Checksums {
    TileSums tiles;
    std::vector<std::pair<std::string, Sha256Sum>> files;  ///< in their order
    int64_t bad_lines = 0;  ///< lines of another form, and tiles that are missing or there twice
    Sha256Sum sum{};        ///< of the file
    [[nodiscard]] std::optional<Sha256Sum> of(std::string_view file) const;
};
/// Throws Error{input} when there is no such file or it is far too large, Error{machine}.
Checksums read_checksums(const std::filesystem::path& path, const PyramidShape& shape);

/// tiff_tiles.txt read back.
struct TiffTiles {
    TiffPyramidWriter::State state;  ///< without tables; position: where the directories begin
    std::vector<std::vector<Sha256Sum>> sums;  ///< as TileSums::tiff
    std::string job;                           ///< the render's identity
    int64_t bad_lines = 0;
};
TiffTiles read_tiff_tiles(const std::filesystem::path& path, const PyramidShape& shape);

}  // namespace broadloom
