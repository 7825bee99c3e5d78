#include "render/repair.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <memory>
#include <mutex>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/deep_zoom.hpp"
#include "io/jpeg_codec.hpp"
#include "io/tiff_reader.hpp"
#include "render/damaged_parts.hpp"
#include "render/scheduler.hpp"
#include "render/seal.hpp"
#include "render/settle_job.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

/// Takes away what stands where a folder or a file must be and is none; links above all, through
/// which something outside would be written.
void clear_place(const fs::path& path, fs::file_type wanted) {
    std::error_code failed;
    const auto status = fs::symlink_status(path, failed);
    if (!fs::exists(status) || status.type() == wanted) return;
    fs::remove_all(path, failed);
    if (failed) throw_file_error("remove", path, failed.value());
}

[[noreturn]] void refuse_other(const std::string& what) {
    throw Error(ErrorCode::input,
                what +
                    " comes out with other bytes than the first time: a frame has changed since; "
                    "render anew into another folder");
}

/// Replaces damaged tiles where they stand.
class InPlace : public TileOutput {
  public:
    InPlace(DamagedParts& parts, const fs::path& folder)
        : parts_(parts), folder_(folder), writer_(folder / "pano_files", parts.shape) {}

    void put_tile(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg,
                  const Sha256Sum& sum) override {
        if (!parts_.tile_at(level, column, row)) return;
        Sha256Sum& known = parts_.checksums.tiles.tiles[static_cast<size_t>(
            level)][static_cast<size_t>(row * parts_.shape.columns(level) + column)];
        const std::string name = tile_file(level, column, row);
        ++tiles_;
        if (read_suspect(folder_ / name, most_tile_bytes(parts_.shape), bytes_).empty() &&
            std::equal(bytes_.begin(), bytes_.end(), jpeg.begin(), jpeg.end())) {
            parts_.checksums_good = false;  // the list is wrong about it
            known = sum;
            return;
        }
        if (parts_.checksums_good && known != sum) refuse_other(name);
        known = sum;
        std::error_code failed;
        fs::remove_all(folder_ / name, failed);
        writer_.put(level, column, row, jpeg);
        ++written_;
    }

    void put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> bytes,
                  const Sha256Sum& sum) override {
        if (!parts_.tiff_at(level, column, row)) return;
        const auto& state = parts_.tiff_tiles.state;
        const auto k = static_cast<size_t>(parts_.tiff_shape.levels() - 1 - level);
        const auto i = static_cast<size_t>(row * parts_.tiff_shape.columns(level) + column);
        const Sha256Sum& known = parts_.tiff_tiles.sums[static_cast<size_t>(level)][i];
        if (state.counts[k][i] != bytes.size() || known != sum) {
            refuse_other("pano.tif, tile " + tile_key(level, column, row));
        }
        write_fully_at(tiff_.get(), state.offsets[k][i], bytes, folder_ / "pano.tif");
        ++tiff_tiles_;
    }

    /// Opens the TIFF for writing, at least as long as its tiles reach.
    void open_tiff() {
        const fs::path path = folder_ / "pano.tif";
        clear_place(path, fs::file_type::regular);
        tiff_ = FileHandle(::open(path.c_str(), O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666));
        struct stat status {};
        if (!tiff_.is_open() || ::fstat(tiff_.get(), &status) != 0) {
            throw_file_error("open", path, errno);
        }
        const auto end = static_cast<off_t>(parts_.tiff_tiles.state.position);
        if (status.st_size < end && ::ftruncate(tiff_.get(), end) != 0) {
            throw_file_error("lengthen", path, errno);
        }
    }

    /// The byte that fills an odd tile up is zero.
    void clear_gaps() {
        const fs::path path = folder_ / "pano.tif";
        const auto& state = parts_.tiff_tiles.state;
        for (size_t k = 0; k < state.offsets.size(); ++k) {
            for (size_t i = 0; i < state.offsets[k].size(); ++i) {
                const uint64_t end = state.offsets[k][i] + state.counts[k][i];
                uint8_t gap = 0;
                if (end % 2 == 0) continue;
                read_fully_at(tiff_.get(), end, std::span(&gap, 1), path);
                if (gap == 0) continue;
                gap = 0;
                write_fully_at(tiff_.get(), end, std::span(&gap, 1), path);
            }
        }
        tiff_.reset();
    }

    [[nodiscard]] int64_t tiles() const { return tiles_; }
    [[nodiscard]] int64_t tiff_tiles() const { return tiff_tiles_; }
    [[nodiscard]] int64_t written() const { return written_ + tiff_tiles_; }
    void sync() { writer_.sync(); }

  private:
    DamagedParts& parts_;
    const fs::path& folder_;
    DeepZoomWriter writer_;
    FileHandle tiff_;
    std::vector<uint8_t> bytes_;
    int64_t tiles_ = 0, tiff_tiles_ = 0, written_ = 0;
};

class Repair {
  public:
    Repair(const Scene& scene, RenderJob& job, const OutputFolder& folder, const Kernels& kernels,
           const RepairTexts& texts, const RenderHooks& hooks)
        : scene_(scene),
          job_(job),
          folder_(folder),
          kernels_(kernels),
          texts_(texts),
          hooks_(hooks),
          layout_(job) {}

    Repaired run() {
        names_ = {"pano.dzi"};
        if (job_.options.show_seams) names_.emplace_back("seams.js");
        names_.emplace_back("index.html");
        settles_ = settle_options(job_.options).any();
        if (settles_) names_.insert(names_.begin(), "pano.settled");
        clear_folders();
        parts_ = find_damaged_parts(folder_.path(), job_.shape, layout_.tiff_shape, names_,
                                    job_.options.threads, hooks_);
        if (hooks_.note) {
            for (const std::string& note : parts_.notes) hooks_.note(note);
        }
        Repaired done;
        if (!parts_.any()) return done;
        if (parts_.tiff && !parts_.tiff_tiles_good) {
            throw Error(ErrorCode::damage,
                        "--out " + escaped(folder_.path().native()) +
                            ": pano.tif is damaged, and tiff_tiles.txt, which says where its tiles "
                            "stand, too; render anew into another folder");
        }
        tell();
        InPlace output(parts_, folder_.path());
        if (parts_.tiff) output.open_tiff();
        rebuild_pictures(output);
        if (parts_.tiff) finish_tiff(output);
        output.sync();
        rebuild_files(done);
        done.tiles = output.written();
        sync_folder(folder_.path());
        return done;
    }

  private:
    /// Folders of levels are folders, or make room for new ones.
    void clear_folders() {
        const fs::path tiles = folder_.path() / "pano_files";
        clear_place(tiles, fs::file_type::directory);
        std::error_code ignored;
        fs::create_directory(tiles, ignored);
        for (int level = 0; level < job_.shape.levels(); ++level) {
            clear_place(tiles / std::to_string(level), fs::file_type::directory);
        }
    }

    void tell() {
        if (!hooks_.note) return;
        const auto files = static_cast<int64_t>(parts_.files.size()) + (parts_.report ? 1 : 0) +
                           (parts_.checksums_good ? 0 : 1) + (parts_.tiff_tiles_good ? 0 : 1);
        hooks_.note("damaged: " + count_of(parts_.tile_count, "tile") + ", " +
                    (parts_.tiff ? count_of(parts_.tiff_count, "tile") + " of pano.tif, " : "") +
                    count_of(files, "other file") + "; what is damaged is built again");
    }

    /// The nodes whose pixels are needed: of damaged tiles, and all below.
    void choose_nodes() {
        const auto& nodes = job_.tree->nodes;
        job_.wanted.assign(nodes.size(), layout_.regrid_tiles || layout_.regrid_tiff);
        std::vector<std::vector<bool>> damaged = parts_.tiles;
        if (!layout_.regrid_tiles && !layout_.regrid_tiff) {
            const int leaf_level = job_.tree->leaf_level;
            for (int level = job_.shape.levels() - 1; level >= 0; --level) {
                const int64_t columns = job_.shape.columns(level);
                auto& here = damaged[static_cast<size_t>(level)];
                for (size_t i = 0; i < here.size(); ++i) {
                    here[i] = here[i] || parts_.tiff_parts[static_cast<size_t>(level)][i];
                    if (!here[i] || level <= leaf_level) continue;
                    const auto number = static_cast<int64_t>(i);
                    damaged[static_cast<size_t>(level - 1)][static_cast<size_t>(
                        number / columns / 2 * job_.shape.columns(level - 1) +
                        number % columns / 2)] = true;
                }
            }
            for (size_t i = nodes.size(); i-- > 0;) {
                const QuadNode& node = nodes[i];
                job_.wanted[i] =
                    damaged[static_cast<size_t>(node.level)][static_cast<size_t>(
                        node.row * job_.shape.columns(node.level) + node.column)] ||
                    (node.parent >= 0 && job_.wanted[static_cast<size_t>(node.parent)]);
            }
        }
        for (size_t i = 0; i < job_.leaf_frames.size(); ++i) {
            if (!job_.wants(job_.tree->leaves[i])) job_.leaf_frames[i].clear();
        }
    }

    void rebuild_pictures(InPlace& output) {
        const bool pictures = parts_.tile_count + parts_.tiff_count > 0;
        if (!pictures && !parts_.has_file("pano.settled") && !parts_.has_file("seams.js")) return;
        if (settles_ && !parts_.has_file("pano.settled")) job_.options.like = folder_.path();
        const Settled settled = settle_job(scene_, job_, folder_, kernels_, hooks_);
        if (parts_.has_file("seams.js")) seams_ = texts_.seams(settled);
        if (!pictures) return;
        const auto seams = adopt(settled, job_);
        divide_memory(job_);
        choose_nodes();
        Parents parents(*job_.tree, job_.pixel_bytes());
        TileSink sink(job_, layout_, folder_.scratch(), output);
        OrderedCommitter committer(sink, 0, job_.wanted);
        OrderedCommitter::Hooks commit_hooks;
        commit_hooks.committed = [&](int64_t node) { parents.committed(node); };
        committer.set_hooks(commit_hooks);
        Scheduler scheduler(job_, kernels_, *seams, layout_, committer, parents, hooks_);
        if (!scheduler.run({})) {
            const bool term = hooks_.stop->load() == SIGTERM;
            throw Error(term ? ErrorCode::terminated : ErrorCode::interrupted,
                        "--out " + escaped(folder_.path().native()) +
                            ": the repair was stopped; run the same command with --resume to go "
                            "on");
        }
        if (output.tiles() != parts_.tile_count || output.tiff_tiles() != parts_.tiff_count) {
            throw Error(ErrorCode::internal,
                        "not all damaged tiles were built again; please report this fault");
        }
    }

    void finish_tiff(InPlace& output) {
        output.clear_gaps();
        const fs::path path = folder_.path() / "pano.tif";
        TiffPyramidWriter::State state = parts_.tiff_tiles.state;
        if (!job_.tiff.lossless()) {
            std::vector<uint8_t> tile;
            const fs::path first = folder_.path() / tile_file(0, 0, 0);
            const std::string wrong = read_suspect(first, most_tile_bytes(job_.shape), tile);
            if (!wrong.empty()) {
                throw Error(ErrorCode::internal,
                            escaped(first.native()) + " " + wrong + "; please report this fault");
            }
            state.tables = jpeg_tables(tile);
        }
        // Its first bytes; the writer leaves them as they are.
        const std::vector<uint8_t> start{'I', 'I', 43, 0, 8, 0, 0, 0};
        {
            const FileHandle file(::open(path.c_str(), O_WRONLY | O_CLOEXEC | O_NOFOLLOW));
            if (!file.is_open()) throw_file_error("open", path, errno);
            write_fully_at(file.get(), 0, start, path);
        }
        TiffPyramidWriter(path, layout_.tiff_shape, tiff_options(job_, layout_), std::move(state))
            .finish();
    }

    Sha256Sum sum_of(const fs::path& path) {
        const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW));
        if (!file.is_open()) throw_file_error("open", path, errno);
        return sha256_of_file(file.get(), path);
    }

    /// Offsets, sizes and sums of the tiles of a whole TIFF.
    TiffPyramidWriter::State read_tiff_state(TileSums& sums) {
        TiffPyramidReader reader(folder_.path() / "pano.tif", layout_.tiff_shape);
        const PyramidShape& shape = layout_.tiff_shape;
        TiffPyramidWriter::State state;
        for (int level = shape.levels() - 1; level >= 0; --level) {
            if (!reader.has_level(level)) break;
            state.offsets.emplace_back();
            state.counts.emplace_back();
            for (int64_t row = 0; row < shape.rows(level); ++row) {
                for (int64_t column = 0; column < shape.columns(level); ++column) {
                    const std::span<const uint8_t> stored = reader.stored(level, column, row);
                    state.offsets.back().push_back(reader.offset(level, column, row));
                    state.counts.back().push_back(static_cast<uint32_t>(stored.size()));
                    if (shared_tile(level, column, row)) continue;
                    sums.tiff[static_cast<size_t>(level)]
                             [static_cast<size_t>(row * shape.columns(level) + column)] =
                        sha256(stored);
                }
            }
        }
        return state;
    }

    [[nodiscard]] bool shared_tile(int level, int64_t column, int64_t row) const {
        if (layout_.regrid_tiles || layout_.regrid_tiff || layout_.own_tiff) return false;
        const Rect cell = job_.shape.cell_rect(level, column, row);
        return cell.width() == job_.shape.tile && cell.height() == job_.shape.tile;
    }

    void rebuild_files(Repaired& done) {
        const fs::path& folder = folder_.path();
        for (const std::string& name : parts_.files) {
            clear_place(folder / name, fs::file_type::regular);
            if (name == "pano.settled") {
                fs::rename(folder_.working_settled(), folder / name);
            } else {
                write_file_atomic(folder / name, name == "pano.dzi"   ? texts_.descriptor
                                                 : name == "seams.js" ? seams_
                                                                      : texts_.page);
            }
            ++done.files;
        }
        std::error_code ignored;
        fs::remove(folder_.working_settled(), ignored);
        TileSums sums(job_.shape, layout_.tiff_shape);
        sums.tiles = parts_.checksums.tiles.tiles;
        if (!parts_.tiff_tiles_good) {
            clear_place(folder / kTiffTilesName, fs::file_type::regular);
            const TiffPyramidWriter::State state = read_tiff_state(sums);
            write_tiff_tiles(folder_.working_tiff_tiles(), layout_.tiff_shape, state, sums,
                             job_.identity);
            fs::rename(folder_.working_tiff_tiles(), folder / kTiffTilesName);
            ++done.files;
        }
        // All of it once more, so that nothing is called whole that is not.
        std::vector<std::pair<std::string, Sha256Sum>> files;
        std::vector<std::string> order{"pano.tif", kTiffTilesName};
        order.insert(order.end(), names_.begin(), names_.end());
        for (const std::string& name : order) {
            files.emplace_back(name, sum_of(folder / name));
            const auto known = parts_.checksums.of(name);
            if (parts_.checksums_good && known != files.back().second) refuse_other(name);
        }
        const Sha256Sum list =
            write_checksums(folder_.working_checksums(), job_.shape, sums, files);
        if (parts_.list && *parts_.list != list) {
            fs::remove(folder_.working_checksums(), ignored);
            refuse_other("the list of checksums");
        }
        if (!parts_.checksums_good) {
            clear_place(folder / kChecksumsName, fs::file_type::regular);
            fs::rename(folder_.working_checksums(), folder / kChecksumsName);
            ++done.files;
        }
        fs::remove(folder_.working_checksums(), ignored);
        if (parts_.report) {
            clear_place(folder / "report.json", fs::file_type::regular);
            write_file_atomic(folder / "report.json", texts_.report(list));
            ++done.files;
        }
        if (parts_.tiff) ++done.files;
    }

    const Scene& scene_;
    RenderJob& job_;
    const OutputFolder& folder_;
    const Kernels& kernels_;
    const RepairTexts& texts_;
    const RenderHooks& hooks_;
    TileLayout layout_;
    std::vector<std::string> names_;
    bool settles_ = false;
    DamagedParts parts_;
    std::string seams_;
};

}  // namespace

Repaired repair_result(const Scene& scene, RenderJob& job, const OutputFolder& folder,
                       const Kernels& kernels, const RepairTexts& texts, const RenderHooks& hooks) {
    return Repair(scene, job, folder, kernels, texts, hooks).run();
}

}  // namespace broadloom
