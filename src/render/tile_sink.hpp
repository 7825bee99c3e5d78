/// Where finished cells go: deep-zoom tiles and the TIFF, in the order of the walk.
#pragma once

#include <chrono>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <utility>
#include <vector>

#include "io/deep_zoom.hpp"
#include "io/jpeg_codec.hpp"
#include "io/tiff_pyramid.hpp"
#include "pyramid/regrid.hpp"
#include "render/job.hpp"

namespace broadloom {

/// One cell, encoded or (where tiles do not coincide with cells) still as pixels.
struct FinishedCell {
    int level = 0;
    int64_t column = 0, row = 0;
    int64_t width = 0, height = 0;
    std::vector<uint8_t> jpeg;         ///< the deep-zoom tile; empty when `pixels` holds it
    std::vector<uint8_t> padded_jpeg;  ///< the TIFF tile where it differs (edges); may be empty
    std::vector<uint8_t> pixels;       ///< rows of width * 4 bytes
};

/// How cells become tiles, fixed for a render.
struct TileLayout {
    explicit TileLayout(const RenderJob& job);
    bool regrid_tiles;        ///< deep-zoom tiles are not the cells
    bool regrid_tiff;         ///< TIFF tiles are not the cells
    PyramidShape tiff_shape;  ///< tile: the cells' side rounded up to a multiple of 16
};

/// A worker's encoder.
class CellEncoder {
  public:
    CellEncoder(const RenderJob& job, const TileLayout& layout);

    /// Encodes a cell of up to tile x tile pixels; each inner cell exactly once for both outputs.
    FinishedCell encode(int level, int64_t column, int64_t row, const RgbxView& cell);

    /// Encodes one window; edges are continued to `tile` x `tile` pixels when `padded`.
    std::vector<uint8_t> encode_window(const RgbxView& window, int64_t tile, bool padded);

  private:
    const TileLayout& layout_;
    int64_t tile_;
    JpegEncoder encoder_;
    std::vector<uint8_t> padded_;
};

/// Writes cells. put() must be called in the order of the walk.
class TileSink {
  public:
    /// Starts `tiles` (a folder), `tiff` (a file) and, where needed, scratch files beside them; or
    /// goes on with them where `state` says how far they had come.
    TileSink(const RenderJob& job, const TileLayout& layout, const std::filesystem::path& tiles,
             const std::filesystem::path& tiff, const std::filesystem::path& scratch,
             std::optional<TiffPyramidWriter::State> state);

    /// Whether save() works: not where cells wait in scratch files.
    [[nodiscard]] bool can_save() const { return !tile_windows_ && !tiff_windows_; }
    /// Makes everything put so far durable and returns the TIFF's state.
    TiffPyramidWriter::State save();

    void put(const FinishedCell& cell);

    /// Completes and syncs both outputs.
    void finish();

  private:
    void put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg);

    const RenderJob& job_;
    const TileLayout& layout_;
    DeepZoomWriter tiles_;
    std::unique_ptr<TiffPyramidWriter> tiff_;
    CellEncoder encoder_;
    std::unique_ptr<Regrid> tile_windows_, tiff_windows_;
    bool tables_set_ = false;
    std::vector<uint8_t> abbreviated_;
};

/// Takes results in any order and hands them to the sink in theirs, one thread at a time.
class OrderedCommitter {
  public:
    struct Hooks {
        std::function<void(int64_t node)> committed;  ///< after each node
        std::function<void(int64_t next)>
            checkpoint;  ///< about every kCheckpointSeconds; may be empty
    };
    static constexpr double kCheckpointSeconds = 10;

    OrderedCommitter(TileSink& sink, int64_t first) : sink_(sink), next_(first) {}
    void set_hooks(Hooks hooks) { hooks_ = std::move(hooks); }

    /// Results of node `order`. The thread that brings the next one in order writes it and all that
    /// follow; others only leave theirs. Throws what the sink throws.
    void submit(int64_t order, std::vector<FinishedCell> cells);

    /// The node that will be written next; all before it are.
    [[nodiscard]] int64_t next();

  private:
    TileSink& sink_;
    Hooks hooks_;
    std::mutex mutex_;
    std::map<int64_t, std::vector<FinishedCell>> waiting_;
    int64_t next_;
    bool writing_ = false;
    std::chrono::steady_clock::time_point last_checkpoint_ = std::chrono::steady_clock::now();
};

}  // namespace broadloom
