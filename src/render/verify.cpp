#include "broadloom/verify.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <functional>
#include <memory>
#include <random>

#include "base/file_handle.hpp"
#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "render/tile_check.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

constexpr const char* kOtherBytes = "has other bytes than were rendered (its checksum differs)";

/// Cells of one level, by number.
struct CellsOf {
    const PyramidShape& shape;
    int level;
    [[nodiscard]] int64_t count() const { return shape.columns(level) * shape.rows(level); }
    [[nodiscard]] std::pair<int64_t, int64_t> at(int64_t number) const {
        return {number % shape.columns(level), number / shape.columns(level)};
    }
};

class Verification {
  public:
    Verification(const VerifyOptions& options, const WorkHooks& hooks)
        : options_(options),
          hooks_(hooks),
          told_(read_result_shape(options.folder, findings_)),
          threads_(options.threads > 0 ? options.threads : processor_count()) {
        result_.folder = options.folder;
        result_.shape = told_.shape;
        const int64_t side = ceil_div(told_.shape.tile, 16) * 16;
        result_.tiff_shape = {told_.shape.width, told_.shape.height, side, 0};
    }

    VerifyReport run() {
        const double start = monotonic_seconds();
        const PyramidShape& shape = result_.shape;
        report_.width = shape.width;
        report_.height = shape.height;
        report_.tiles = shape.tile_count();
        read_sums();
        look_for_strangers(options_.folder, shape, findings_, report_.notes);
        check_files();
        open_tiff();
        if (options_.quick) {
            glance_at_all();
            check_sample();
        } else {
            check_all();
        }
        findings_.report(report_);
        report_.seconds = monotonic_seconds() - start;
        return std::move(report_);
    }

  private:
    void read_sums() {
        std::error_code ignored;
        const fs::path path = options_.folder / kChecksumsName;
        if (!fs::exists(fs::symlink_status(path, ignored))) {
            if (told_.sealed) {
                findings_.file(kChecksumsName, "is missing");
            } else {
                report_.notes.emplace_back(
                    "the result carries no checksums; its parts are held against each other only");
            }
            return;
        }
        try {
            checksums_ = read_checksums(path, result_.shape);
        } catch (const Error& e) {
            if (e.code() != ErrorCode::input) throw;
            findings_.file(kChecksumsName, "cannot be read as a list of this result's files");
            return;
        }
        report_.checksums = true;
        result_.checksums = &*checksums_;
        if (told_.report_good && sum_text(checksums_->sum) != told_.checksums) {
            findings_.file(kChecksumsName, kOtherBytes);
        } else if (checksums_->bad_lines > 0) {
            findings_.file(kChecksumsName, "lacks files or has lines of another form");
        }
    }

    /// Files that are no tiles; those that are large only in a full check.
    void check_files() {
        for (const char* name : {"pano.dzi", "index.html", "pano.tif"}) {
            std::error_code ignored;
            if (!fs::exists(fs::symlink_status(options_.folder / name, ignored))) {
                findings_.file(name, "is missing");
            }
        }
        std::error_code ignored;
        if (!fs::is_directory(options_.folder / "pano_files", ignored)) {
            findings_.file("pano_files", "is missing or no folder");
        }
        if (!checksums_) return;
        for (const auto& [name, sum] : checksums_->files) {
            if (!is_plain_name(name)) {
                findings_.file(kChecksumsName, "names a file outside the result");
                continue;
            }
            if (name == "pano.tif") continue;
            check_sum(name, sum, {});
        }
        const auto listed = checksums_->of(kTiffTilesName);
        if (!listed) return;
        try {
            tiff_tiles_ = read_tiff_tiles(options_.folder / kTiffTilesName, result_.tiff_shape);
            if (tiff_tiles_->bad_lines == 0) result_.tiff_tiles = &*tiff_tiles_;
        } catch (const Error& e) {
            if (e.code() != ErrorCode::input) throw;  // told already
        }
    }

    static bool is_plain_name(const std::string& name) {
        return !name.empty() && name != "." && name != ".." && name.find('/') == std::string::npos;
    }

    /// False when the file's sum is not `sum`; tells it.
    bool check_sum(const std::string& name, const Sha256Sum& sum,
                   const std::function<void(size_t)>& each) {
        const fs::path path = options_.folder / name;
        const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
        struct stat status {};
        if (!file.is_open() || ::fstat(file.get(), &status) != 0 || !S_ISREG(status.st_mode)) {
            std::error_code ignored;
            findings_.file(name, fs::exists(fs::symlink_status(path, ignored))
                                     ? "cannot be read as a file"
                                     : "is missing");
            return false;
        }
        if (sha256_of_file(file.get(), path, each) == sum) return true;
        findings_.file(name, kOtherBytes);
        return false;
    }

    void open_tiff() {
        std::error_code ignored;
        if (!fs::exists(fs::symlink_status(options_.folder / "pano.tif", ignored))) return;
        try {
            const TiffPyramidReader reader(options_.folder / "pano.tif", result_.tiff_shape);
            result_.tiff = true;
        } catch (const Error& e) {
            if (e.code() != ErrorCode::damage) throw;
            findings_.file("pano.tif", e.what());
        }
    }

    /// A cell with `height` levels below it; every tile on the way is checked.
    std::optional<TileChecker::Cell> check_tree(TileChecker& checker, int level, int64_t column,
                                                int64_t row, int height, bool bottom_known,
                                                WorkMeter& meter) {
        const PyramidShape& shape = result_.shape;
        const bool bottom = height == 0 && level < shape.levels() - 1;
        const bool quietly = bottom && bottom_known;
        auto cell = checker.check(level, column, row, true, quietly);
        if (!quietly) meter.advance();
        if (height == 0 || level + 1 >= shape.levels()) return cell;
        for (int64_t r = 2 * row; r <= 2 * row + 1 && r < shape.rows(level + 1); ++r) {
            for (int64_t c = 2 * column; c <= 2 * column + 1 && c < shape.columns(level + 1); ++c) {
                const auto child =
                    check_tree(checker, level + 1, c, r, height - 1, bottom_known, meter);
                if (child && cell) checker.compare_with_above(*child, level + 1, c, r, *cell);
            }
        }
        return cell;
    }

    /// Three levels at a time, so that little is in memory; the tiles of every third are decoded
    /// again.
    void check_all() {
        constexpr int kBand = 3;
        const PyramidShape& shape = result_.shape;
        const bool sums_tiff = checksums_ && checksums_->of("pano.tif").has_value();
        WorkMeter meter("checking tiles",
                        static_cast<size_t>(shape.tile_count()) + (sums_tiff ? tiff_pieces() : 0),
                        hooks_);
        auto checkers = make_checkers();
        bool tiff_good = true;
        int top = shape.levels() - 1;
        bool first = true;
        while (top >= 0) {
            const int root = std::max(0, top - kBand);
            const CellsOf units{shape, root};
            // The sum of the TIFF is one long piece of work, begun first.
            const size_t extra = first && sums_tiff ? 1 : 0;
            for_each_index(static_cast<size_t>(units.count()) + extra, threads_,
                           [&](size_t i, int worker) {
                               if (i < extra) {
                                   tiff_good = sum_tiff(meter);
                                   return;
                               }
                               const auto [column, row] = units.at(static_cast<int64_t>(i - extra));
                               // The root is the bottom of the next band too, where it is told.
                               check_tree(*checkers[static_cast<size_t>(worker)], root, column, row,
                                          top - root, !first, meter);
                           });
            if (root == 0) break;
            top = root;
            first = false;
        }
        check_tiff_tiles(*checkers[0]);
        report_.tiles_checked = shape.tile_count();
        if (!tiff_good && !findings_.any_in_tiff()) {
            findings_.file("pano.tif", std::string(kOtherBytes) +
                                           ", and not in its tiles: in between, or in "
                                           "what describes them");
        }
    }

    size_t tiff_pieces() const {
        std::error_code ignored;
        const auto bytes = fs::file_size(options_.folder / "pano.tif", ignored);
        return ignored ? 0 : static_cast<size_t>(bytes >> 20) + 1;
    }

    bool sum_tiff(WorkMeter& meter) {
        const fs::path path = options_.folder / "pano.tif";
        const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
        struct stat status {};
        if (!file.is_open() || ::fstat(file.get(), &status) != 0 || !S_ISREG(status.st_mode)) {
            return true;  // told already
        }
        return sha256_of_file(file.get(), path, [&](size_t) { meter.advance(); }) ==
               *checksums_->of("pano.tif");
    }

    /// TIFF tiles that lie across web tiles have sums of their own.
    void check_tiff_tiles(TileChecker& checker) {
        if (!result_.tiff || result_.tiff_tiles == nullptr || tiff_has_cells(result_.shape)) return;
        const PyramidShape& shape = result_.tiff_shape;
        for (int level = shape.levels() - 1; level >= 0; --level) {
            const CellsOf cells{shape, level};
            for (int64_t i = 0; i < cells.count(); ++i) {
                throw_if_stopped(hooks_);
                const auto [column, row] = cells.at(i);
                checker.check_tiff_sum(level, column, row);
            }
            if (cells.count() == 1) break;
        }
    }

    void glance_at_all() {
        const PyramidShape& shape = result_.shape;
        WorkMeter meter("looking at tiles", static_cast<size_t>(shape.tile_count()), hooks_);
        auto checkers = make_checkers();
        for (int level = 0; level < shape.levels(); ++level) {
            for_each_index(static_cast<size_t>(shape.rows(level)), threads_,
                           [&](size_t row, int worker) {
                               for (int64_t c = 0; c < shape.columns(level); ++c) {
                                   checkers[static_cast<size_t>(worker)]->glance(
                                       level, c, static_cast<int64_t>(row));
                               }
                               meter.advance(static_cast<size_t>(shape.columns(level)));
                           });
        }
    }

    void check_sample() {
        constexpr int64_t kLeast = 32;
        constexpr int64_t kMost = 1000;
        const PyramidShape& shape = result_.shape;
        report_.seed = options_.seed.value_or(static_cast<uint64_t>(
            std::chrono::system_clock::now().time_since_epoch().count() / 1'000'000));
        // Each with the four tiles below it.
        const int64_t inner = shape.tile_count() - CellsOf{shape, shape.levels() - 1}.count();
        const int64_t wanted =
            std::min({std::max<int64_t>(inner, 1), kMost, std::max(kLeast, inner / 50)});
        std::mt19937_64 random(report_.seed);
        std::vector<int64_t> numbers;
        for (int64_t i = 0; i < wanted; ++i) {
            numbers.push_back(static_cast<int64_t>(
                random() % static_cast<uint64_t>(std::max<int64_t>(inner, 1))));
        }
        std::sort(numbers.begin(), numbers.end());
        numbers.erase(std::unique(numbers.begin(), numbers.end()), numbers.end());
        WorkMeter meter("checking a sample", numbers.size() * 5, hooks_);
        auto checkers = make_checkers();
        std::atomic<int64_t> checked{0};
        for_each_index(numbers.size(), threads_, [&](size_t i, int worker) {
            int64_t number = numbers[i];
            int level = 0;
            while (number >= CellsOf{shape, level}.count()) {
                number -= CellsOf{shape, level}.count();
                ++level;
            }
            const auto [column, row] = CellsOf{shape, level}.at(number);
            check_tree(*checkers[static_cast<size_t>(worker)], level, column, row, 1, false, meter);
            ++checked;
        });
        report_.tiles_checked = checked;
    }

    std::vector<std::unique_ptr<TileChecker>> make_checkers() {
        std::vector<std::unique_ptr<TileChecker>> checkers;
        checkers.reserve(static_cast<size_t>(threads_));
        for (int i = 0; i < threads_; ++i) {
            checkers.push_back(std::make_unique<TileChecker>(result_, findings_));
        }
        return checkers;
    }

    const VerifyOptions& options_;
    const WorkHooks& hooks_;
    Findings findings_;
    ResultShape told_;
    int threads_;
    CheckedResult result_;
    std::optional<Checksums> checksums_;
    std::optional<TiffTiles> tiff_tiles_;
    VerifyReport report_;
};

}  // namespace

VerifyReport verify(const VerifyOptions& options, const WorkHooks& hooks) {
    return Verification(options, hooks).run();
}

}  // namespace broadloom
