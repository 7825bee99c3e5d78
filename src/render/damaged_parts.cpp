#include "render/damaged_parts.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>

#include "base/parallel.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "io/jpeg_codec.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

std::vector<std::vector<bool>> flags_of(const PyramidShape& shape) {
    std::vector<std::vector<bool>> flags(static_cast<size_t>(shape.levels()));
    for (int level = 0; level < shape.levels(); ++level) {
        flags[static_cast<size_t>(level)].resize(
            static_cast<size_t>(shape.columns(level) * shape.rows(level)));
    }
    return flags;
}

/// A regular file that is no link; not open otherwise.
FileHandle open_plain(const fs::path& path) {
    FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
    struct stat status {};
    if (file.is_open() && (::fstat(file.get(), &status) != 0 || !S_ISREG(status.st_mode))) {
        file.reset();
    }
    return file;
}

std::optional<Sha256Sum> sum_of(const fs::path& path) {
    const FileHandle file = open_plain(path);
    if (!file.is_open()) return std::nullopt;
    return sha256_of_file(file.get(), path);
}

class Finder {
  public:
    Finder(DamagedParts& parts, const fs::path& folder, int threads, const WorkHooks& hooks)
        : parts_(parts), folder_(folder), threads_(threads), hooks_(hooks) {}

    void read_lists() {
        parts_.checksums.tiles.tiles = TileSums(parts_.shape, parts_.tiff_shape).tiles;
        Findings findings;
        ResultShape told;
        try {
            told = read_result_shape(folder_, findings);
        } catch (const Error& e) {
            if (e.code() != ErrorCode::damage) throw;  // neither report nor descriptor
        }
        parts_.report = !told.report_good || !told.sealed;
        if (!parts_.report) parts_.list = parse_sum(told.checksums);
        try {
            parts_.checksums = read_checksums(folder_ / kChecksumsName, parts_.shape);
            parts_.checksums_good = parts_.checksums.bad_lines == 0 &&
                                    (!parts_.list || *parts_.list == parts_.checksums.sum);
        } catch (const Error& e) {
            if (e.code() != ErrorCode::input) throw;
        }
        try {
            parts_.tiff_tiles = read_tiff_tiles(folder_ / kTiffTilesName, parts_.tiff_shape);
            // Where the list itself is damaged, what comes out in the end is held against the seal.
            parts_.tiff_tiles_good = parts_.tiff_tiles.bad_lines == 0 &&
                                     (matches(kTiffTilesName) || !parts_.checksums_good);
        } catch (const Error& e) {
            if (e.code() != ErrorCode::input) throw;
        }
    }

    bool matches(const std::string& name) {
        const auto wanted = parts_.checksums.of(name);
        return wanted && sum_of(folder_ / name) == wanted;
    }

    void check_tiles() {
        const PyramidShape& shape = parts_.shape;
        parts_.tiles = flags_of(shape);
        WorkMeter meter("comparing checksums", static_cast<size_t>(shape.tile_count()), hooks_);
        for (int level = 0; level < shape.levels(); ++level) {
            const int64_t columns = shape.columns(level);
            const auto count = static_cast<size_t>(columns * shape.rows(level));
            // Bits of one word are written by one thread at a time: a byte each until then.
            std::vector<uint8_t> damaged(count);
            for_each_index(count, threads_, [&](size_t i, int) {
                const auto number = static_cast<int64_t>(i);
                std::vector<uint8_t> bytes;
                const Sha256Sum& sum = parts_.checksums.tiles.tiles[static_cast<size_t>(level)][i];
                const std::string wrong =
                    read_suspect(folder_ / tile_file(level, number % columns, number / columns),
                                 most_tile_bytes(shape), bytes);
                damaged[i] = !wrong.empty() || sum == kNoSum || sum != sha256(bytes) ? 1 : 0;
                meter.advance();
            });
            for (size_t i = 0; i < count; ++i) {
                parts_.tiles[static_cast<size_t>(level)][i] = damaged[i] != 0;
                parts_.tile_count += damaged[i];
            }
        }
    }

    void check_tiff() {
        parts_.tiff_parts = flags_of(parts_.tiff_shape);
        parts_.tiff = !matches("pano.tif");
        if (!parts_.tiff || !parts_.tiff_tiles_good) return;
        const fs::path path = folder_ / "pano.tif";
        const FileHandle file = open_plain(path);
        struct stat status {};
        if (file.is_open() && ::fstat(file.get(), &status) != 0) {
            throw_file_error("look at", path, errno);
        }
        const uint64_t size = file.is_open() ? static_cast<uint64_t>(status.st_size) : 0;
        const auto& state = parts_.tiff_tiles.state;
        std::vector<uint8_t> stored;
        std::vector<uint8_t> web;
        std::vector<uint8_t> abbreviated;
        const bool cells = parts_.shape.overlap == 0 && parts_.shape.tile == parts_.tiff_shape.tile;
        for (size_t k = 0; k < state.offsets.size(); ++k) {
            const int level = parts_.tiff_shape.levels() - 1 - static_cast<int>(k);
            const int64_t columns = parts_.tiff_shape.columns(level);
            for (size_t i = 0; i < state.offsets[k].size(); ++i) {
                throw_if_stopped(hooks_);
                const auto number = static_cast<int64_t>(i);
                const int64_t column = number % columns;
                const int64_t row = number / columns;
                const uint64_t offset = state.offsets[k][i];
                const uint32_t count = state.counts[k][i];
                const Sha256Sum& sum = parts_.tiff_tiles.sums[static_cast<size_t>(level)][i];
                bool good = offset <= size && count <= size - offset;
                if (good) {
                    stored.resize(count);
                    read_fully_at(file.get(), offset, stored, path);
                    if (sum == kNoSum) {
                        good = cells && !parts_.tile_at(level, column, row) &&
                               read_suspect(folder_ / tile_file(level, column, row),
                                            most_tile_bytes(parts_.shape), web)
                                   .empty();
                        if (good) {
                            jpeg_abbreviated(web, abbreviated);
                            good = stored == abbreviated;
                        }
                    } else {
                        good = sum == sha256(stored);
                    }
                }
                parts_.tiff_parts[static_cast<size_t>(level)][i] = !good;
                if (!good) ++parts_.tiff_count;
            }
        }
    }

  private:
    DamagedParts& parts_;
    const fs::path& folder_;
    int threads_;
    const WorkHooks& hooks_;
};

}  // namespace

bool DamagedParts::has_file(const std::string& name) const {
    return std::find(files.begin(), files.end(), name) != files.end();
}

bool DamagedParts::tile_at(int level, int64_t column, int64_t row) const {
    return tiles[static_cast<size_t>(level)]
                [static_cast<size_t>(row * shape.columns(level) + column)];
}

bool DamagedParts::tiff_at(int level, int64_t column, int64_t row) const {
    return tiff_parts[static_cast<size_t>(level)]
                     [static_cast<size_t>(row * tiff_shape.columns(level) + column)];
}

DamagedParts find_damaged_parts(const fs::path& folder, const PyramidShape& shape,
                                const PyramidShape& tiff_shape,
                                const std::vector<std::string>& files, int threads,
                                const WorkHooks& hooks) {
    DamagedParts parts;
    parts.shape = shape;
    parts.tiff_shape = tiff_shape;
    Finder finder(parts, folder, threads, hooks);
    finder.read_lists();
    finder.check_tiles();
    finder.check_tiff();
    for (const std::string& name : files) {
        if (!finder.matches(name)) parts.files.push_back(name);
    }
    Findings strangers;
    look_for_strangers(folder, shape, strangers, parts.notes);
    VerifyReport told;
    strangers.report(told);
    for (const Damage& d : told.damages) {
        if (parts.notes.size() < 5) parts.notes.push_back(d.name + " " + d.what);
    }
    return parts;
}

}  // namespace broadloom
