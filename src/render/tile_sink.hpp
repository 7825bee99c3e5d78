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
#include <span>
#include <utility>
#include <vector>

#include "image/output_colour.hpp"
#include "io/deep_zoom.hpp"
#include "io/deflate_tile.hpp"
#include "io/jpeg_codec.hpp"
#include "io/tiff_pyramid.hpp"
#include "pyramid/regrid.hpp"
#include "render/checksums.hpp"
#include "render/job.hpp"

namespace broadloom {

/// Options of a job's TIFF.
struct TileLayout;
TiffPyramidOptions tiff_options(const RenderJob& job, const TileLayout& layout);

/// One cell, encoded or (where tiles do not coincide with cells) still as pixels.
struct FinishedCell {
    int level = 0;
    int64_t column = 0, row = 0;
    int64_t width = 0, height = 0;
    std::vector<uint8_t> jpeg;       ///< the deep-zoom tile; empty when `pixels` holds it
    std::vector<uint8_t> tiff_tile;  ///< the TIFF tile where it is another; may be empty
    std::vector<uint8_t> pixels;     ///< rows of width pixels
    Sha256Sum jpeg_sum{};            ///< of `jpeg`, where there is one
    Sha256Sum tiff_sum{};            ///< of `tiff_tile`, where it is stored as it is
};

/// How cells become tiles, fixed for a render.
struct TileLayout {
    explicit TileLayout(const RenderJob& job);
    bool regrid_tiles;        ///< deep-zoom tiles are not the cells
    bool regrid_tiff;         ///< TIFF tiles are not the cells
    bool with_tiff = true;    ///< false: tiles alone are written
    bool own_tiff;            ///< no TIFF tile is a deep-zoom tile: other samples or other colours
    PyramidShape tiff_shape;  ///< tile: the cells' side rounded up to a multiple of 16

    /// Whether the TIFF has this level: the largest that fits one tile is its last.
    [[nodiscard]] bool in_tiff(int level) const;
};

/// A worker's encoder: of cells, or of windows cut from several of them. Deep pictures become
/// 8-bit sRGB tiles over the background and TIFF tiles in the TIFF's colours and samples.
class CellEncoder {
  public:
    CellEncoder(const RenderJob& job, const TileLayout& layout);

    /// Encodes a cell of up to tile x tile pixels; each exactly once where one stream serves both
    /// outputs.
    FinishedCell encode(int level, int64_t column, int64_t row, const PictureView& cell);

    /// The deep-zoom tile of a window whose first pixel is (x, y) of its level; valid until the
    /// next call of anything.
    std::span<const uint8_t> encode_tile(const PictureView& window, int64_t x, int64_t y);
    /// The TIFF tile of a window: a whole JPEG stream or a deflated one. Its edges are continued to
    /// whole tiles.
    std::span<const uint8_t> encode_tiff(const PictureView& window, int64_t x, int64_t y);

    /// Upper bound of the bytes that one encoder holds besides the JPEG library's.
    static size_t bytes_bound(const RenderJob& job, const TileLayout& layout);

  private:
    /// A window of one colour, and what it was encoded to.
    struct Plain {
        uint64_t pixel = 0;
        int64_t width = 0, height = 0;  ///< 0: none yet
        std::vector<uint8_t> encoded;
    };
    /// What encode(window, x, y) gives; of windows of one colour each kind is encoded once.
    template <typename Encode>
    std::span<const uint8_t> once(Plain& plain, const PictureView& window, const Encode& encode);
    std::span<const uint8_t> encode_tile_anew(const PictureView& window, int64_t x, int64_t y);
    std::span<const uint8_t> encode_tiff_anew(const PictureView& window, int64_t x, int64_t y);
    /// Pixels of the 8-bit sRGB picture: the window itself where it is not deep.
    PictureView tile_pixels(const PictureView& window, int64_t x, int64_t y);
    std::span<const uint8_t> deflate(const PictureView& window, int64_t x, int64_t y);
    PictureView padded(const PictureView& window);

    const RenderJob& job_;
    const TileLayout& layout_;
    JpegEncoder jpeg_;
    TileColour tile_colour_;
    TiffColour tiff_colour_;
    DeflateTileEncoder deflate_;
    std::vector<uint8_t> tile_pixels_, tiff_pixels_, padded_;
    Plain plain_tile_, plain_tiff_;
};

/// Where tiles go instead of into new files.
class TileOutput {
  public:
    virtual ~TileOutput() = default;
    virtual void put_tile(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg,
                          const Sha256Sum& sum) = 0;
    /// `sum`: kNoSum where the bytes are those of the web tile without its tables.
    virtual void put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> bytes,
                          const Sha256Sum& sum) = 0;
};

/// Writes cells. put() must be called in the order of the walk.
class TileSink {
  public:
    /// Starts `tiles` (a folder), `tiff` (a file) and, where needed, scratch files beside them; or
    /// goes on with them where `state` and `sums` say how far they had come. Throws
    /// Error{machine}.
    TileSink(const RenderJob& job, const TileLayout& layout, const std::filesystem::path& tiles,
             const std::filesystem::path& tiff, const std::filesystem::path& scratch,
             std::optional<TiffPyramidWriter::State> state, TileSums sums = {});

    /// Hands all tiles to `instead`.
    TileSink(const RenderJob& job, const TileLayout& layout, const std::filesystem::path& scratch,
             TileOutput& instead);

    /// Whether save() works: not where cells wait in scratch files.
    [[nodiscard]] bool can_save() const { return !tile_windows_ && !tiff_windows_; }
    /// Makes everything put so far durable and returns the TIFF's state.
    TiffPyramidWriter::State save();

    void put(const FinishedCell& cell);

    /// Completes and syncs both outputs.
    void finish();

    /// Checksums of what was put so far, those before `state` included.
    [[nodiscard]] const TileSums& sums() const { return sums_; }
    [[nodiscard]] const std::string& job() const { return job_.identity; }
    /// Of the web tiles.
    [[nodiscard]] const PyramidShape& shape() const { return job_.shape; }
    /// Where the TIFF's tiles stand.
    [[nodiscard]] TiffPyramidWriter::State tiff_state() const;

  private:
    void put_tile(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg,
                  const Sha256Sum& sum);
    /// `shared`: the web tile of this place; otherwise `sum` is the tile's, or kNoSum.
    void put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> tile,
                  bool shared, const Sha256Sum& sum);

    void open_scratch(const std::filesystem::path& scratch);

    const RenderJob& job_;
    const TileLayout& layout_;
    TileOutput* instead_ = nullptr;
    DeepZoomWriter tiles_;
    std::unique_ptr<TiffPyramidWriter> tiff_;  // null: tiles alone
    CellEncoder encoder_;
    std::unique_ptr<Regrid> tile_windows_, tiff_windows_;
    TileSums sums_;
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

    /// `wanted`: the nodes that come; empty: all. It must outlive this.
    OrderedCommitter(TileSink& sink, int64_t first, const std::vector<bool>& wanted)
        : sink_(sink), wanted_(wanted), next_(first) {
        skip();
    }
    void set_hooks(Hooks hooks) { hooks_ = std::move(hooks); }

    /// Results of node `order`. The thread that brings the next one in order writes it and all that
    /// follow; others only leave theirs. Throws what the sink throws.
    void submit(int64_t order, std::vector<FinishedCell> cells);

    /// The node that will be written next; all before it are.
    [[nodiscard]] int64_t next();

  private:
    void skip() {
        while (next_ < static_cast<int64_t>(wanted_.size()) &&
               !wanted_[static_cast<size_t>(next_)]) {
            ++next_;
        }
    }

    TileSink& sink_;
    const std::vector<bool>& wanted_;
    Hooks hooks_;
    std::mutex mutex_;
    std::map<int64_t, std::vector<FinishedCell>> waiting_;
    int64_t next_;
    bool writing_ = false;
    std::chrono::steady_clock::time_point last_checkpoint_ = std::chrono::steady_clock::now();
};

}  // namespace broadloom
