#include "render/tile_sink.hpp"

#include <cstring>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/output_profiles.hpp"

namespace broadloom {

namespace {

JpegChroma chroma_of(const RenderJob& job) {
    return job.options.chroma == Chroma::c444 ? JpegChroma::c444 : JpegChroma::c420;
}

/// Continues a row of `width` pixels to `tile` pixels.
void continue_row(uint8_t* row, int64_t width, int64_t tile, int64_t pixel_bytes) {
    const uint8_t* last = row + (width - 1) * pixel_bytes;
    for (int64_t x = width; x < tile; ++x) {
        std::memcpy(row + x * pixel_bytes, last, static_cast<size_t>(pixel_bytes));
    }
}

/// The pixel that all of a window's are, if they are one.
std::optional<uint64_t> only_pixel(const PictureView& window, int64_t pixel_bytes) {
    const auto row_bytes = static_cast<size_t>(window.width * pixel_bytes);
    const auto first = static_cast<size_t>(pixel_bytes);
    if (std::memcmp(window.data, window.data + first, row_bytes - first) != 0) return std::nullopt;
    for (int64_t y = 1; y < window.height; ++y) {
        if (std::memcmp(window.data, window.data + y * window.stride, row_bytes) != 0) {
            return std::nullopt;
        }
    }
    uint64_t pixel = 0;
    std::memcpy(&pixel, window.data, first);
    return pixel;
}

/// Fills `out` with tile x tile pixels: those that make_row(y, to) writes for the first rows, the
/// last ones continued beyond them.
template <typename MakeRow>
void fill_tile(std::vector<uint8_t>& out, int64_t width, int64_t height, int64_t tile,
               int64_t pixel_bytes, const MakeRow& make_row) {
    const int64_t stride = tile * pixel_bytes;
    out.resize(static_cast<size_t>(tile * stride));
    for (int64_t y = 0; y < tile; ++y) {
        uint8_t* row = out.data() + y * stride;
        if (y < height) {
            make_row(y, row);
            continue_row(row, width, tile, pixel_bytes);
        } else {
            std::memcpy(row, row - stride, static_cast<size_t>(stride));
        }
    }
}

}  // namespace

TiffPyramidOptions tiff_options(const RenderJob& job, const TileLayout& layout) {
    TiffPyramidOptions o;
    o.tile = layout.tiff_shape.tile;
    o.compression = job.tiff.lossless() ? TiffCompression::deflate : TiffCompression::jpeg;
    o.subsampled = job.options.chroma == Chroma::c420;
    o.bits = job.tiff.bits;
    o.alpha = job.tiff.alpha;
    o.software = std::string("broadloom ") + version();
    o.artist = job.metadata.creator_line();
    o.copyright = job.metadata.rights;
    o.description = job.metadata.full_description();
    o.date_time = job.metadata.tiff_date_time();
    o.xmp = picture_xmp(job.metadata, job.output);
    o.icc = output_profile(job.tiff.colour);
    return o;
}

TileLayout::TileLayout(const RenderJob& job)
    : regrid_tiles(job.shape.overlap > 0),
      regrid_tiff(job.shape.tile % 16 != 0),
      own_tiff(job.tiff.lossless() || job.tiff.colour != ColourSpace::srgb),
      tiff_shape{job.shape.width, job.shape.height, ceil_div(job.shape.tile, 16) * 16, 0} {}

bool TileLayout::in_tiff(int level) const {
    return with_tiff && (level + 1 >= tiff_shape.levels() ||
                         tiff_shape.columns(level + 1) * tiff_shape.rows(level + 1) > 1);
}

CellEncoder::CellEncoder(const RenderJob& job, const TileLayout& layout)
    : job_(job),
      layout_(layout),
      jpeg_(job.options.quality, chroma_of(job)),
      tile_colour_(job.tiff.colour, job.options.background),
      tiff_colour_(job.tiff.colour, job.tiff.bits, job.tiff.alpha, job.options.background) {}

PictureView CellEncoder::tile_pixels(const PictureView& window, int64_t x, int64_t y) {
    if (!job_.deep) return window;
    const int64_t stride = window.width * 4;
    tile_pixels_.resize(static_cast<size_t>(stride * window.height));
    for (int64_t j = 0; j < window.height; ++j) {
        tile_colour_.convert_row(window.data + j * window.stride, x, y + j, window.width,
                                 tile_pixels_.data() + j * stride);
    }
    return {tile_pixels_.data(), window.width, window.height, stride};
}

/// A window of 4-byte pixels as a whole TIFF tile.
PictureView CellEncoder::padded(const PictureView& window) {
    const int64_t tile = layout_.tiff_shape.tile;
    if (window.width == tile && window.height == tile) return window;
    fill_tile(padded_, window.width, window.height, tile, 4, [&](int64_t y, uint8_t* to) {
        std::memcpy(to, window.data + y * window.stride, static_cast<size_t>(window.width * 4));
    });
    return {padded_.data(), tile, tile, tile * 4};
}

template <typename Encode>
std::span<const uint8_t> CellEncoder::once(Plain& plain, const PictureView& window,
                                           const Encode& encode) {
    const std::optional<uint64_t> pixel = only_pixel(window, job_.pixel_bytes());
    // Deep pixels are dithered by their place, except those that nothing covers.
    if (!pixel || (job_.deep && *pixel != 0)) return encode();
    if (plain.width != window.width || plain.height != window.height || plain.pixel != *pixel) {
        const std::span<const uint8_t> encoded = encode();
        plain = {*pixel, window.width, window.height, {encoded.begin(), encoded.end()}};
    }
    return plain.encoded;
}

std::span<const uint8_t> CellEncoder::encode_tile(const PictureView& window, int64_t x, int64_t y) {
    return once(plain_tile_, window, [&] { return encode_tile_anew(window, x, y); });
}

std::span<const uint8_t> CellEncoder::encode_tiff(const PictureView& window, int64_t x, int64_t y) {
    return once(plain_tiff_, window, [&] { return encode_tiff_anew(window, x, y); });
}

std::span<const uint8_t> CellEncoder::encode_tile_anew(const PictureView& window, int64_t x,
                                                       int64_t y) {
    const PictureView v = tile_pixels(window, x, y);
    return jpeg_.encode(v.data, v.width, v.height, v.stride);
}

std::span<const uint8_t> CellEncoder::encode_tiff_anew(const PictureView& window, int64_t x,
                                                       int64_t y) {
    if (job_.tiff.lossless()) return deflate(window, x, y);
    PictureView v;
    if (layout_.own_tiff) {
        // Three bytes a pixel in the TIFF's colours; the JPEG encoder takes four.
        const int64_t stride = window.width * 4;
        tile_pixels_.resize(static_cast<size_t>(stride * window.height));
        tiff_pixels_.resize(static_cast<size_t>(window.width * 3));
        for (int64_t j = 0; j < window.height; ++j) {
            tiff_colour_.convert_row(window.data + j * window.stride, x, y + j, window.width,
                                     tiff_pixels_.data());
            uint8_t* to = tile_pixels_.data() + j * stride;
            for (int64_t i = 0; i < window.width; ++i) {
                std::memcpy(to + 4 * i, tiff_pixels_.data() + 3 * i, 3);
            }
        }
        v = padded({tile_pixels_.data(), window.width, window.height, stride});
    } else {
        v = padded(tile_pixels(window, x, y));
    }
    return jpeg_.encode(v.data, v.width, v.height, v.stride);
}

std::span<const uint8_t> CellEncoder::deflate(const PictureView& window, int64_t x, int64_t y) {
    const int64_t tile = layout_.tiff_shape.tile;
    const int64_t pixel_bytes = tiff_colour_.bytes_per_pixel();
    fill_tile(
        tiff_pixels_, window.width, window.height, tile, pixel_bytes, [&](int64_t j, uint8_t* to) {
            tiff_colour_.convert_row(window.data + j * window.stride, x, y + j, window.width, to);
        });
    return deflate_.encode({tiff_pixels_.data(), tile, tile, tile * pixel_bytes,
                            job_.tiff.alpha ? 4 : 3, job_.tiff.bits});
}

FinishedCell CellEncoder::encode(int level, int64_t column, int64_t row, const PictureView& cell) {
    const int64_t tile = job_.shape.tile;
    const int64_t x = column * tile;
    const int64_t y = row * tile;
    FinishedCell out;
    out.level = level;
    out.column = column;
    out.row = row;
    out.width = cell.width;
    out.height = cell.height;
    const auto copy = [](std::span<const uint8_t> bytes) {
        return std::vector<uint8_t>(bytes.begin(), bytes.end());
    };
    if (!layout_.regrid_tiles) {
        out.jpeg = copy(encode_tile(cell, x, y));
        out.jpeg_sum = sha256(out.jpeg);
    }
    const bool whole = cell.width == tile && cell.height == tile;
    const bool serves_both = whole && !layout_.regrid_tiles && !layout_.own_tiff;
    if (!layout_.regrid_tiff && !serves_both && layout_.in_tiff(level)) {
        out.tiff_tile = copy(encode_tiff(cell, x, y));
        if (job_.tiff.lossless()) out.tiff_sum = sha256(out.tiff_tile);
    }
    if (layout_.regrid_tiles || layout_.regrid_tiff) {
        const int64_t row_bytes = cell.width * job_.pixel_bytes();
        out.pixels.resize(static_cast<size_t>(row_bytes * cell.height));
        for (int64_t j = 0; j < cell.height; ++j) {
            std::memcpy(out.pixels.data() + j * row_bytes, cell.data + j * cell.stride,
                        static_cast<size_t>(row_bytes));
        }
    }
    return out;
}

size_t CellEncoder::bytes_bound(const RenderJob& job, const TileLayout& layout) {
    const auto side = static_cast<size_t>(
        std::max(layout.tiff_shape.tile, job.shape.tile + 2 * job.shape.overlap));
    const size_t pixels = side * side;
    size_t bytes = 4 * pixels;  // padded, or the tile's own pixels
    if (job.deep) {
        const size_t samples = (job.tiff.alpha ? 4 : 3) * static_cast<size_t>(job.tiff.bits / 8);
        bytes += 4 * pixels + samples * pixels;
        if (job.tiff.lossless()) bytes += DeflateTileEncoder::bytes_bound(samples * pixels);
    }
    return bytes;
}

TileSink::TileSink(const RenderJob& job, const TileLayout& layout,
                   const std::filesystem::path& tiles, const std::filesystem::path& tiff,
                   const std::filesystem::path& scratch,
                   std::optional<TiffPyramidWriter::State> state, TileSums sums)
    : job_(job),
      layout_(layout),
      tiles_(tiles, job.shape, state.has_value()),
      encoder_(job, layout),
      sums_(job.shape, layout.tiff_shape) {
    if (state) {
        if (!sums.same_shape(sums_)) {
            throw Error(ErrorCode::machine,
                        escaped(tiles.native()) +
                            ": the unfinished tiles do not match their checkpoint; empty the "
                            "folder and start again");
        }
        sums_ = std::move(sums);
        tables_set_ = !state->tables.empty();
        tiff_ = std::make_unique<TiffPyramidWriter>(tiff, layout.tiff_shape,
                                                    tiff_options(job, layout), std::move(*state));
    } else if (layout.with_tiff) {
        tiff_ =
            std::make_unique<TiffPyramidWriter>(tiff, layout.tiff_shape, tiff_options(job, layout));
    }
    open_scratch(scratch);
}

TileSink::TileSink(const RenderJob& job, const TileLayout& layout,
                   const std::filesystem::path& scratch, TileOutput& instead)
    : job_(job),
      layout_(layout),
      instead_(&instead),
      tiles_({}, job.shape),
      encoder_(job, layout),
      sums_(job.shape, layout.tiff_shape) {
    open_scratch(scratch);
}

void TileSink::open_scratch(const std::filesystem::path& scratch) {
    const RenderJob& job = job_;
    const TileLayout& layout = layout_;
    const PyramidShape cells{job.shape.width, job.shape.height, job.shape.tile, 0};
    if (layout.regrid_tiles) {
        tile_windows_ = std::make_unique<Regrid>(scratch.string() + ".tiles", cells, job.shape,
                                                 job.pixel_bytes());
    }
    if (layout.regrid_tiff) {
        tiff_windows_ = std::make_unique<Regrid>(scratch.string() + ".tiff", cells,
                                                 layout.tiff_shape, job.pixel_bytes());
    }
}

void TileSink::put_tile(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg,
                        const Sha256Sum& sum) {
    if (instead_ != nullptr) {
        instead_->put_tile(level, column, row, jpeg, sum);
    } else {
        tiles_.put(level, column, row, jpeg);
    }
    sums_.tiles[static_cast<size_t>(level)]
               [static_cast<size_t>(row * job_.shape.columns(level) + column)] = sum;
}

void TileSink::put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> tile,
                        bool shared, const Sha256Sum& sum) {
    Sha256Sum& place =
        sums_.tiff[static_cast<size_t>(level)]
                  [static_cast<size_t>(row * layout_.tiff_shape.columns(level) + column)];
    if (job_.tiff.lossless()) {
        place = sum == kNoSum ? sha256(tile) : sum;
        if (instead_ != nullptr) {
            instead_->put_tiff(level, column, row, tile, place);
        } else {
            tiff_->put(level, column, row, tile);
        }
        return;
    }
    if (!tables_set_ && instead_ == nullptr) {
        // Tables depend on quality and chroma alone, so any tile's serve all.
        tiff_->set_tables(jpeg_tables(tile));
        tables_set_ = true;
    }
    jpeg_abbreviated(tile, abbreviated_);
    if (!shared) place = sha256(abbreviated_);
    if (instead_ != nullptr) {
        instead_->put_tiff(level, column, row, abbreviated_, place);
    } else {
        tiff_->put(level, column, row, abbreviated_);
    }
}

void TileSink::put(const FinishedCell& cell) {
    const PictureView pixels{cell.pixels.data(), cell.width, cell.height,
                             cell.width * job_.pixel_bytes()};
    if (tile_windows_) {
        tile_windows_->add(cell.level, cell.column, cell.row, pixels,
                           [&](int level, int64_t column, int64_t row, const PictureView& window) {
                               const Rect rect = job_.shape.tile_rect(level, column, row);
                               const auto jpeg = encoder_.encode_tile(window, rect.x0, rect.y0);
                               put_tile(level, column, row, jpeg, sha256(jpeg));
                           });
    } else {
        put_tile(cell.level, cell.column, cell.row, cell.jpeg, cell.jpeg_sum);
    }
    if (tiff_windows_) {
        tiff_windows_->add(cell.level, cell.column, cell.row, pixels,
                           [&](int level, int64_t column, int64_t row, const PictureView& window) {
                               if (!layout_.in_tiff(level)) return;
                               const int64_t tile = layout_.tiff_shape.tile;
                               put_tiff(level, column, row,
                                        encoder_.encode_tiff(window, column * tile, row * tile),
                                        false, kNoSum);
                           });
    } else if (layout_.in_tiff(cell.level)) {
        const bool shared = cell.tiff_tile.empty();
        put_tiff(cell.level, cell.column, cell.row, shared ? cell.jpeg : cell.tiff_tile, shared,
                 cell.tiff_sum);
    }
}

TiffPyramidWriter::State TileSink::save() {
    TiffPyramidWriter::State state;
    if (tiff_) state = tiff_->save();
    tiles_.sync();
    return state;
}

TiffPyramidWriter::State TileSink::tiff_state() const {
    return tiff_ ? tiff_->state() : TiffPyramidWriter::State{};
}

void TileSink::finish() {
    tile_windows_.reset();
    tiff_windows_.reset();
    if (tiff_) tiff_->finish();
    tiles_.sync();
}

void OrderedCommitter::submit(int64_t order, std::vector<FinishedCell> cells) {
    std::unique_lock lock(mutex_);
    waiting_.emplace(order, std::move(cells));
    if (writing_) return;
    writing_ = true;
    while (!waiting_.empty() && waiting_.begin()->first == next_) {
        const auto batch = std::move(waiting_.begin()->second);
        waiting_.erase(waiting_.begin());
        lock.unlock();
        // When this throws, writing_ stays set: nobody writes after a failure.
        for (const FinishedCell& cell : batch) sink_.put(cell);
        if (hooks_.committed) hooks_.committed(next_);
        lock.lock();
        ++next_;
        skip();
        const auto now = std::chrono::steady_clock::now();
        if (hooks_.checkpoint &&
            now - last_checkpoint_ > std::chrono::duration<double>(kCheckpointSeconds)) {
            lock.unlock();
            hooks_.checkpoint(next_);  // only the writing thread changes next_
            lock.lock();
            last_checkpoint_ = std::chrono::steady_clock::now();
        }
    }
    writing_ = false;
}

int64_t OrderedCommitter::next() {
    const std::lock_guard lock(mutex_);
    return next_;
}

}  // namespace broadloom
