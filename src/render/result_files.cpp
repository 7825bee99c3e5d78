#include "render/result_files.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>
#include <nlohmann/json.hpp>
#include <set>
#include <tuple>

#include "base/file_handle.hpp"
#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/deep_zoom.hpp"
#include "render/checksums.hpp"
#include "render/output_folder.hpp"
#include "render/seal.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

auto order_of(const Damage& d) {
    return std::tie(d.kind, d.level, d.row, d.column, d.name, d.what);
}

bool same_thing(const Damage& a, const Damage& b) {
    return std::tie(a.kind, a.level, a.row, a.column, a.name) ==
           std::tie(b.kind, b.level, b.row, b.column, b.name);
}

/// Opens a regular file that is no link; says why not otherwise.
std::string open_suspect(const fs::path& path, FileHandle& file, size_t& bytes) {
    file = FileHandle(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
    struct stat status {};
    if (!file.is_open()) {
        if (errno == ENOENT || errno == ENOTDIR) return "is missing";
        if (errno == ELOOP) return "is a link, not a file";
        if (errno == ENXIO) return "is not a file";
        throw_file_error("open", path, errno);
    }
    if (::fstat(file.get(), &status) != 0) throw_file_error("look at", path, errno);
    if (!S_ISREG(status.st_mode)) return "is not a file";
    bytes = static_cast<size_t>(status.st_size);
    return {};
}

/// The whole number in attribute `name`="..." of a text.
std::optional<int64_t> attribute(const std::string& text, const std::string& name) {
    const size_t at = text.find(" " + name + "=\"");
    if (at == std::string::npos) return std::nullopt;
    const char* first = text.data() + at + name.size() + 3;
    int64_t value = 0;
    const auto [end, error] = std::from_chars(first, text.data() + text.size(), value);
    if (error != std::errc() || end == text.data() + text.size() || *end != '"') return {};
    return value;
}

bool possible(const PyramidShape& s) {
    constexpr int64_t kMostSide = int64_t{1} << 31;
    constexpr int64_t kMostTiles = 50'000'000;
    return s.width >= 1 && s.height >= 1 && s.width <= kMostSide && s.height <= kMostSide &&
           s.tile >= 16 && s.tile <= 4096 && s.tile % 2 == 0 && s.overlap >= 0 &&
           s.overlap <= s.tile / 4 && s.tile_count() <= kMostTiles;
}

std::string text_of(const std::vector<uint8_t>& bytes) { return {bytes.begin(), bytes.end()}; }

/// Sizes as the report tells them; nullopt when it does not.
std::optional<PyramidShape> reported_shape(const nlohmann::ordered_json& report) {
    PyramidShape shape;
    const auto take = [&](const char* name, int64_t& value) {
        const auto found = report.find(name);
        if (found == report.end() || !found->is_number_integer()) return false;
        value = found->get<int64_t>();
        return true;
    };
    if (!take("width", shape.width) || !take("height", shape.height) || !take("tile", shape.tile) ||
        !take("overlap", shape.overlap) || !possible(shape)) {
        return std::nullopt;
    }
    return shape;
}

}  // namespace

void Findings::add(Damage damage) {
    const std::lock_guard lock(mutex_);
    in_tiff_ = in_tiff_ || damage.kind == Damage::Kind::tiff_tile || damage.name == "pano.tif";
    if (found_.size() < kMost) {
        found_.push_back(std::move(damage));
        return;
    }
    ++beyond_;
    if (damage.kind != Damage::Kind::file) ++tiles_beyond_;
}

void Findings::file(const std::string& name, const std::string& what) {
    add({Damage::Kind::file, -1, 0, 0, escaped(name), what});
}

void Findings::tile(int level, int64_t column, int64_t row, const std::string& what) {
    add({Damage::Kind::tile, level, column, row, tile_file(level, column, row), what});
}

void Findings::tiff_tile(int level, int64_t column, int64_t row, const std::string& what) {
    add({Damage::Kind::tiff_tile, level, column, row,
         "pano.tif, tile " + tile_key(level, column, row), what});
}

bool Findings::any_in_tiff() const {
    const std::lock_guard lock(mutex_);
    return in_tiff_;
}

void Findings::report(VerifyReport& report) {
    const std::lock_guard lock(mutex_);
    std::sort(found_.begin(), found_.end(),
              [](const Damage& a, const Damage& b) { return order_of(a) < order_of(b); });
    found_.erase(std::unique(found_.begin(), found_.end(), same_thing), found_.end());
    report.damaged = static_cast<int64_t>(found_.size()) + beyond_;
    report.damaged_tiles =
        std::count_if(found_.begin(), found_.end(),
                      [](const Damage& d) { return d.kind != Damage::Kind::file; }) +
        tiles_beyond_;
    report.damages = found_;
}

std::string tile_file(int level, int64_t column, int64_t row) {
    return "pano_files/" + tile_key(level, column, row) + ".jpg";
}

size_t most_tile_bytes(const PyramidShape& shape) {
    const auto side = static_cast<size_t>(shape.tile + 2 * shape.overlap + 16);
    return side * side * 6 + 65536;
}

std::string read_suspect(const fs::path& path, size_t most, std::vector<uint8_t>& bytes) {
    FileHandle file;
    size_t size = 0;
    std::string wrong = open_suspect(path, file, size);
    if (!wrong.empty()) return wrong;
    if (size == 0) return "is empty";
    if (size > most) return "is far too large";
    bytes.resize(size);
    read_fully_at(file.get(), 0, bytes, path);
    return {};
}

std::string glance_at(const fs::path& path, size_t most, std::vector<uint8_t>& head,
                      uint16_t& end) {
    constexpr size_t kHead = 1024;
    FileHandle file;
    size_t size = 0;
    std::string wrong = open_suspect(path, file, size);
    if (!wrong.empty()) return wrong;
    if (size < 4) return "is empty";
    if (size > most) return "is far too large";
    head.resize(std::min(size, kHead));
    read_fully_at(file.get(), 0, head, path);
    uint8_t last[2];
    read_fully_at(file.get(), size - 2, last, path);
    end = static_cast<uint16_t>(last[0] << 8 | last[1]);
    return {};
}

ResultShape read_result_shape(const fs::path& folder, Findings& findings) {
    std::error_code failed;
    const auto status = fs::status(folder, failed);
    const std::string shown = escaped(folder.native());
    if (!fs::exists(status)) {
        throw Error(ErrorCode::input, shown + ": there is no such folder; name a finished result");
    }
    if (!fs::is_directory(status)) {
        throw Error(ErrorCode::input, shown + " is no folder; name a finished result's folder");
    }
    if (fs::exists(folder / "job.part", failed)) {
        throw Error(ErrorCode::input, shown +
                                          " holds an interrupted render; finish it with the same "
                                          "command and --resume, then check it");
    }
    const bool any = fs::exists(fs::symlink_status(folder / "pano.dzi", failed)) ||
                     fs::exists(fs::symlink_status(folder / "report.json", failed));
    if (!any || failed) {
        throw Error(ErrorCode::input, shown +
                                          " holds no finished result (neither pano.dzi nor "
                                          "report.json); name the folder that render wrote");
    }
    ResultShape found;
    constexpr size_t kMostReport = size_t{1} << 20;
    std::vector<uint8_t> bytes;
    std::optional<PyramidShape> shape;
    std::string wrong = read_suspect(folder / "report.json", kMostReport, bytes);
    if (wrong.empty()) {
        const std::string text = text_of(bytes);
        try {
            const auto report = nlohmann::ordered_json::parse(text);
            const auto word = [&](const char* name) {
                const auto at = report.find(name);
                return at != report.end() && at->is_string() ? at->get<std::string>()
                                                             : std::string();
            };
            found.job = word("job");
            found.checksums = word("checksums");
            found.sealed = report.contains("seal") || report.contains("checksums");
            found.report_good = !found.sealed || seal_holds(text);
            if (!found.report_good) wrong = "does not match its own seal";
            if (found.report_good && found.sealed) shape = reported_shape(report);
        } catch (const std::exception&) {
            wrong = "is no report of a render";
        }
    }
    if (!wrong.empty()) findings.file("report.json", wrong);

    wrong = read_suspect(folder / "pano.dzi", kMostReport, bytes);
    const std::string text = wrong.empty() ? text_of(bytes) : std::string();
    if (!shape && wrong.empty()) {
        const auto width = attribute(text, "Width");
        const auto height = attribute(text, "Height");
        const auto tile = attribute(text, "TileSize");
        const auto overlap = attribute(text, "Overlap");
        if (width && height && tile && overlap) {
            const PyramidShape told{*width, *height, *tile, *overlap};
            if (possible(told)) shape = told;
        }
    }
    if (!shape) {
        throw Error(ErrorCode::damage,
                    shown +
                        ": neither report.json nor pano.dzi tells the picture's size any more; "
                        "render anew into another folder");
    }
    if (wrong.empty() && text != deep_zoom_descriptor(*shape)) {
        wrong = "is not the descriptor of this picture";
    }
    if (!wrong.empty()) findings.file("pano.dzi", wrong);
    found.shape = *shape;
    return found;
}

void look_for_strangers(const fs::path& folder, const PyramidShape& shape, Findings& findings,
                        std::vector<std::string>& notes) {
    constexpr int kMostNotes = 5;
    int strangers = 0;
    std::error_code failed;
    for (fs::directory_iterator it(folder, failed), end; !failed && it != end;
         it.increment(failed)) {
        const std::string name = it->path().filename().native();
        if (is_result_name(name)) continue;
        if (++strangers <= kMostNotes) notes.push_back(escaped(name) + " is no part of the result");
    }
    if (failed) {
        throw Error(ErrorCode::machine, escaped(folder.native()) +
                                            " cannot be read: " + failed.message() + "; " +
                                            advice_for_errno(failed.value()));
    }
    const fs::path tiles = folder / "pano_files";
    if (fs::is_symlink(fs::symlink_status(tiles, failed))) {
        findings.file("pano_files", "is a link, not a folder");
    }
    for (fs::directory_iterator level_it(tiles, failed), end; !failed && level_it != end;
         level_it.increment(failed)) {
        const std::string level_name = level_it->path().filename().native();
        int level = -1;
        const char* stop = level_name.data() + level_name.size();
        const auto [at, error] = std::from_chars(level_name.data(), stop, level);
        if (error != std::errc() || at != stop || level < 0 || level >= shape.levels() ||
            level_name != std::to_string(level)) {
            findings.file("pano_files/" + level_name, "belongs to no level of the picture");
            continue;
        }
        std::error_code inner;
        if (fs::is_symlink(fs::symlink_status(level_it->path(), inner))) {
            findings.file("pano_files/" + level_name, "is a link, not a folder");
        }
        for (fs::directory_iterator it(level_it->path(), inner), last; !inner && it != last;
             it.increment(inner)) {
            const std::string name = it->path().filename().native();
            int64_t column = -1;
            int64_t row = -1;
            const char* name_end = name.data() + name.size();
            const auto first = std::from_chars(name.data(), name_end, column);
            if (first.ec == std::errc() && first.ptr != name_end) {
                std::from_chars(first.ptr + 1, name_end, row);
            }
            if (column < 0 || row < 0 || column >= shape.columns(level) ||
                row >= shape.rows(level) ||
                (fs::path("pano_files") / level_name / name).native() !=
                    tile_file(level, column, row)) {
                findings.file((fs::path("pano_files") / level_name / name).native(),
                              "belongs to no tile of the picture; remove it");
            }
        }
        if (inner) findings.file("pano_files/" + level_name, "cannot be read as a folder");
    }
    if (failed) findings.file("pano_files", "cannot be read as a folder");
}

}  // namespace broadloom
