#include "render/checksums.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <functional>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

constexpr size_t kPiece = size_t{1} << 20;
constexpr std::string_view kTilesFolder = "pano_files/";
constexpr std::string_view kTileEnding = ".jpg";
constexpr std::string_view kShared = "=";
constexpr std::string_view kJobLine = "job ";

std::vector<std::vector<Sha256Sum>> empty_sums(const PyramidShape& shape) {
    std::vector<std::vector<Sha256Sum>> sums(static_cast<size_t>(shape.levels()));
    for (int level = 0; level < shape.levels(); ++level) {
        sums[static_cast<size_t>(level)].resize(
            static_cast<size_t>(shape.columns(level) * shape.rows(level)));
    }
    return sums;
}

/// Calls take(line) for each line without its end; the last one may lack it.
void for_each_line(const fs::path& path, size_t most_bytes,
                   const std::function<void(std::string_view)>& take, Sha256Sum* sum) {
    const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
    struct stat status {};
    if (!file.is_open() || ::fstat(file.get(), &status) != 0 || !S_ISREG(status.st_mode)) {
        throw Error(ErrorCode::input, escaped(path.native()) + " cannot be read as a file");
    }
    if (static_cast<size_t>(status.st_size) > most_bytes) {
        throw Error(ErrorCode::input, escaped(path.native()) + " is far larger than its result");
    }
    Sha256Stream stream;
    std::string text;
    std::vector<uint8_t> piece(kPiece);
    for (off_t at = 0;;) {
        const ssize_t n = ::pread(file.get(), piece.data(), piece.size(), at);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) throw_file_error("read", path, errno);
        if (n == 0) break;
        at += n;
        stream.add(std::span(piece).first(static_cast<size_t>(n)));
        text.append(reinterpret_cast<const char*>(piece.data()), static_cast<size_t>(n));
        size_t begin = 0;
        for (size_t end = 0; (end = text.find('\n', begin)) != std::string::npos; begin = end + 1) {
            take(std::string_view(text).substr(begin, end - begin));
        }
        text.erase(0, begin);
    }
    if (!text.empty()) take(text);
    if (sum != nullptr) *sum = stream.finish();
}

/// A whole number at the beginning of `text`, which is cut off with the separator behind it.
template <typename T>
bool take_number(std::string_view& text, char separator, T& value) {
    const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
    if (error != std::errc()) return false;
    text.remove_prefix(static_cast<size_t>(end - text.data()));
    if (separator == '\0') return text.empty();
    if (text.empty() || text.front() != separator) return false;
    text.remove_prefix(1);
    return true;
}

/// The place of tile (level, column, row) in sums of `shape`; null when there is no such tile.
Sha256Sum* place_of(std::vector<std::vector<Sha256Sum>>& sums, const PyramidShape& shape, int level,
                    int64_t column, int64_t row) {
    if (level < 0 || level >= shape.levels() || column < 0 || column >= shape.columns(level) ||
        row < 0 || row >= shape.rows(level)) {
        return nullptr;
    }
    return &sums[static_cast<size_t>(level)]
                [static_cast<size_t>(row * shape.columns(level) + column)];
}

}  // namespace

TileSums::TileSums(const PyramidShape& web, const PyramidShape& tiff_tiles)
    : tiles(empty_sums(web)), tiff(empty_sums(tiff_tiles)) {}

bool TileSums::same_shape(const TileSums& other) const {
    const auto same = [](const auto& a, const auto& b) {
        return std::equal(a.begin(), a.end(), b.begin(), b.end(),
                          [](const auto& x, const auto& y) { return x.size() == y.size(); });
    };
    return same(tiles, other.tiles) && same(tiff, other.tiff);
}

SummedFile::SummedFile(fs::path path)
    : path_(std::move(path)),
      handle_(::open(path_.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666)) {
    if (!handle_.is_open()) throw_file_error("create", path_, errno);
}

void SummedFile::flush() {
    const std::span bytes(reinterpret_cast<const uint8_t*>(pending_.data()), pending_.size());
    sum_.add(bytes);
    write_fully(handle_.get(), bytes, path_);
    pending_.clear();
}

void SummedFile::add(std::string_view text) {
    pending_.append(text);
    if (pending_.size() >= kPiece) flush();
}

Sha256Sum SummedFile::finish() {
    flush();
    handle_.sync_checked(path_);
    handle_.close_checked(path_);
    return sum_.finish();
}

std::string tile_key(int level, int64_t column, int64_t row) {
    return std::to_string(level) + "/" + std::to_string(column) + "_" + std::to_string(row);
}

Sha256Sum write_tiff_tiles(const fs::path& path, const PyramidShape& shape,
                           const TiffPyramidWriter::State& state, const TileSums& sums,
                           std::string_view job) {
    SummedFile out(path);
    out.add(std::string(kJobLine) + std::string(job) + "\n");
    for (size_t i = 0; i < state.offsets.size(); ++i) {
        const int level = shape.levels() - 1 - static_cast<int>(i);
        const int64_t columns = shape.columns(level);
        for (size_t k = 0; k < state.offsets[i].size(); ++k) {
            const Sha256Sum& sum = sums.tiff[static_cast<size_t>(level)][k];
            out.add(tile_key(level, static_cast<int64_t>(k) % columns,
                             static_cast<int64_t>(k) / columns) +
                    " " + std::to_string(state.offsets[i][k]) + " " +
                    std::to_string(state.counts[i][k]) + " " +
                    (sum == kNoSum ? std::string(kShared) : sum_text(sum)) + "\n");
        }
    }
    return out.finish();
}

Sha256Sum write_checksums(const fs::path& path, const PyramidShape& shape, const TileSums& sums,
                          const std::vector<std::pair<std::string, Sha256Sum>>& files) {
    SummedFile out(path);
    for (int level = 0; level < shape.levels(); ++level) {
        const auto& row = sums.tiles[static_cast<size_t>(level)];
        const int64_t columns = shape.columns(level);
        for (size_t k = 0; k < row.size(); ++k) {
            out.add(sum_text(row[k]) + "  " + std::string(kTilesFolder) +
                    tile_key(level, static_cast<int64_t>(k) % columns,
                             static_cast<int64_t>(k) / columns) +
                    std::string(kTileEnding) + "\n");
        }
    }
    for (const auto& [name, sum] : files) out.add(sum_text(sum) + "  " + name + "\n");
    return out.finish();
}

std::optional<Sha256Sum> Checksums::of(std::string_view file) const {
    const auto found = std::find_if(files.begin(), files.end(),
                                    [&](const auto& entry) { return entry.first == file; });
    if (found == files.end()) return std::nullopt;
    return found->second;
}

Checksums read_checksums(const fs::path& path, const PyramidShape& shape) {
    Checksums c;
    c.tiles.tiles = empty_sums(shape);
    // 64 digits, the folder, three numbers, the ending: below 160 bytes a line.
    const size_t most = static_cast<size_t>(shape.tile_count()) * 160 + 65536;
    int64_t found = 0;
    for_each_line(
        path, most,
        [&](std::string_view line) {
            const auto sum = parse_sum(line.substr(0, std::min<size_t>(line.size(), 64)));
            if (!sum || *sum == kNoSum || line.substr(64, 2) != "  " || line.size() > 200) {
                ++c.bad_lines;
                return;
            }
            std::string_view name = line.substr(66);
            if (name.substr(0, kTilesFolder.size()) != kTilesFolder) {
                if (c.files.size() < 32 && !c.of(name)) {
                    c.files.emplace_back(name, *sum);
                } else {
                    ++c.bad_lines;
                }
                return;
            }
            std::string_view rest = name.substr(kTilesFolder.size());
            int level = 0;
            int64_t column = 0;
            int64_t row = 0;
            Sha256Sum* place = nullptr;
            if (rest.size() > kTileEnding.size() && take_number(rest, '/', level) &&
                take_number(rest, '_', column) && rest.size() > kTileEnding.size() &&
                rest.substr(rest.size() - kTileEnding.size()) == kTileEnding) {
                rest.remove_suffix(kTileEnding.size());
                if (take_number(rest, '\0', row)) {
                    place = place_of(c.tiles.tiles, shape, level, column, row);
                }
            }
            if (place == nullptr || *place != kNoSum ||
                name.substr(kTilesFolder.size()) !=
                    tile_key(level, column, row) + std::string(kTileEnding)) {
                ++c.bad_lines;
                return;
            }
            *place = *sum;
            ++found;
        },
        &c.sum);
    c.bad_lines += shape.tile_count() - found;
    return c;
}

TiffTiles read_tiff_tiles(const fs::path& path, const PyramidShape& shape) {
    TiffTiles t;
    t.sums = empty_sums(shape);
    for (int level = shape.levels() - 1; level >= 0; --level) {
        const auto tiles = static_cast<size_t>(shape.columns(level) * shape.rows(level));
        t.state.offsets.emplace_back(tiles);
        t.state.counts.emplace_back(tiles);
        if (tiles == 1) break;
    }
    int64_t expected = 0;
    for (const auto& row : t.state.offsets) expected += static_cast<int64_t>(row.size());
    int64_t found = 0;
    const size_t most = static_cast<size_t>(shape.tile_count()) * 200 + 65536;
    for_each_line(
        path, most,
        [&](std::string_view line) {
            if (t.job.empty() && found == 0 && line.substr(0, kJobLine.size()) == kJobLine) {
                t.job = line.substr(kJobLine.size(), 64);
                return;
            }
            int level = 0;
            int64_t column = 0;
            int64_t row = 0;
            uint64_t offset = 0;
            uint32_t bytes = 0;
            std::optional<Sha256Sum> sum = kNoSum;
            Sha256Sum* place = nullptr;
            if (take_number(line, '/', level) && take_number(line, '_', column) &&
                take_number(line, ' ', row) && take_number(line, ' ', offset) &&
                take_number(line, ' ', bytes) && offset >= 16 && bytes > 0) {
                place = place_of(t.sums, shape, level, column, row);
            }
            const size_t index = static_cast<size_t>(shape.levels() - 1 - level);
            if (line != kShared) sum = parse_sum(line);
            if (place == nullptr || !sum || index >= t.state.offsets.size()) {
                ++t.bad_lines;
                return;
            }
            const auto k = static_cast<size_t>(row * shape.columns(level) + column);
            if (t.state.offsets[index][k] != 0) {
                ++t.bad_lines;
                return;
            }
            *place = *sum;
            t.state.offsets[index][k] = offset;
            t.state.counts[index][k] = bytes;
            t.state.position = std::max(t.state.position, offset + bytes + bytes % 2);
            ++found;
        },
        nullptr);
    t.bad_lines += expected - found;
    return t;
}

}  // namespace broadloom
