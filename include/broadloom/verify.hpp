/// Checks a finished result: that everything is there, whole, and that its parts show the same.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/work.hpp"

namespace broadloom {

struct VerifyOptions {
    std::filesystem::path folder;  ///< the result, as render wrote it
    bool quick = false;            ///< every tile's head and end, and a sample of tiles in full
    std::optional<uint64_t> seed;  ///< of the sample; absent: from the clock
    int threads = 0;               ///< 0: all processors
};

/// One thing that is not as it was rendered.
struct Damage {
    enum class Kind { file, tile, tiff_tile };
    Kind kind = Kind::file;
    int level = -1;  ///< of a tile, as column and row
    int64_t column = 0, row = 0;
    std::string name;  ///< printable: a file below the folder, or a tile of pano.tif
    std::string what;  ///< what is wrong with it, like "is missing"
};

struct VerifyReport {
    int64_t width = 0, height = 0;
    int64_t tiles = 0;          ///< that the result should have
    int64_t tiles_checked = 0;  ///< decoded and compared; the others by head and end alone
    bool checksums = false;     ///< the result carries checksums; older ones do not
    uint64_t seed = 0;          ///< of a quick check's sample
    int64_t damaged = 0;        ///< things, tiles and files
    int64_t damaged_tiles = 0;
    std::vector<Damage> damages;  ///< sorted; the first 10,000
    std::vector<std::string> notes;
    double seconds = 0;
};

/// Checks, changes nothing. Damage is reported, not thrown. Throws Error{input} when the folder
/// holds no finished result, Error{machine} when it cannot be read.
VerifyReport verify(const VerifyOptions& options, const WorkHooks& hooks = {});

}  // namespace broadloom
