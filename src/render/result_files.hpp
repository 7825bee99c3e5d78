/// A finished result's files, read with suspicion: nothing in the folder is trusted to be what its
/// name says, or of a size that it should have.
#pragma once

#include <cstdint>
#include <filesystem>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/pyramid.hpp"
#include "broadloom/verify.hpp"

namespace broadloom {

/// Damage as it is found, from any thread; what is found twice counts once.
class Findings {
  public:
    /// Things beyond the first kMost are only counted.
    static constexpr size_t kMost = 10'000;
    void file(const std::string& name, const std::string& what);
    void tile(int level, int64_t column, int64_t row, const std::string& what);
    void tiff_tile(int level, int64_t column, int64_t row, const std::string& what);
    [[nodiscard]] bool any_in_tiff() const;
    /// Sorted; files first, then tiles by level, row and column.
    void report(VerifyReport& report);

  private:
    void add(Damage damage);
    mutable std::mutex mutex_;
    std::vector<Damage> found_;
    int64_t beyond_ = 0, tiles_beyond_ = 0;
    bool in_tiff_ = false;
};

/// What the result's own words say about it.
struct ResultShape {
    PyramidShape shape;
    bool report_good = false;  ///< report.json is there and its seal holds
    bool sealed = false;       ///< it has a seal and a sum of checksums.txt
    std::string checksums;     ///< that sum as text
    std::string job;           ///< the render's identity
};

/// Sizes of the pyramid, from report.json or else from pano.dzi; what is wrong with either goes to
/// `findings`. Throws Error{input} when the folder holds no finished result or none whose sizes can
/// be found.
ResultShape read_result_shape(const std::filesystem::path& folder, Findings& findings);

/// Reads a file of at most `most` bytes into `bytes` (its capacity is reused). Returns what is
/// wrong, like "is missing" or "is a link, not a file"; empty when nothing is.
std::string read_suspect(const std::filesystem::path& path, size_t most,
                         std::vector<uint8_t>& bytes);

/// The same for a tile that is only looked at: its first bytes, and the last two of the file.
std::string glance_at(const std::filesystem::path& path, size_t most, std::vector<uint8_t>& head,
                      uint16_t& end);

/// Bytes that no tile of these pixels exceeds.
size_t most_tile_bytes(const PyramidShape& shape);

/// A tile's path below the result's folder.
std::string tile_file(int level, int64_t column, int64_t row);

/// Everything below pano_files that belongs to no tile of the pyramid goes to `findings`, and what
/// stands beside it and is no part of a result to `notes`.
void look_for_strangers(const std::filesystem::path& folder, const PyramidShape& shape,
                        Findings& findings, std::vector<std::string>& notes);

}  // namespace broadloom
