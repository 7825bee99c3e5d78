#include "render/tile_sink.hpp"

#include <cstring>

#include "io/output_profiles.hpp"

namespace broadloom {

namespace {

JpegChroma chroma_of(const RenderJob& job) {
    return job.options.chroma == Chroma::c444 ? JpegChroma::c444 : JpegChroma::c420;
}

TiffPyramidOptions tiff_options(const RenderJob& job, const TileLayout& layout) {
    TiffPyramidOptions o;
    o.tile = layout.tiff_shape.tile;
    o.subsampled = job.options.chroma == Chroma::c420;
    o.software = std::string("broadloom ") + version();
    o.artist = job.metadata.creator_line();
    o.copyright = job.metadata.rights;
    o.description = job.metadata.full_description();
    o.date_time = job.metadata.tiff_date_time();
    o.xmp = picture_xmp(job.metadata, job.canvas);
    o.icc = output_profile(ColourSpace::srgb);
    return o;
}

}  // namespace

TileLayout::TileLayout(const RenderJob& job)
    : regrid_tiles(job.shape.overlap > 0),
      regrid_tiff(job.shape.tile % 16 != 0),
      tiff_shape{job.shape.width, job.shape.height, ceil_div(job.shape.tile, 16) * 16, 0} {}

CellEncoder::CellEncoder(const RenderJob& job, const TileLayout& layout)
    : layout_(layout), tile_(job.shape.tile), encoder_(job.options.quality, chroma_of(job)) {}

std::vector<uint8_t> CellEncoder::encode_window(const RgbxView& window, int64_t tile, bool padded) {
    RgbxView v = window;
    if (padded && (v.width != tile || v.height != tile)) {
        padded_.resize(static_cast<size_t>(tile * tile * 4));
        for (int64_t y = 0; y < tile; ++y) {
            const uint8_t* from = v.data + std::min(y, v.height - 1) * v.stride;
            uint8_t* to = padded_.data() + y * tile * 4;
            std::memcpy(to, from, static_cast<size_t>(v.width * 4));
            for (int64_t x = v.width; x < tile; ++x) {
                std::memcpy(to + 4 * x, from + 4 * (v.width - 1), 4);
            }
        }
        v = {padded_.data(), tile, tile, tile * 4};
    }
    const auto jpeg = encoder_.encode(v.data, v.width, v.height, v.stride);
    return {jpeg.begin(), jpeg.end()};
}

FinishedCell CellEncoder::encode(int level, int64_t column, int64_t row, const RgbxView& cell) {
    FinishedCell out;
    out.level = level;
    out.column = column;
    out.row = row;
    out.width = cell.width;
    out.height = cell.height;
    if (!layout_.regrid_tiles) out.jpeg = encode_window(cell, tile_, false);
    const bool inner = cell.width == tile_ && cell.height == tile_;
    const bool serves_both = inner && !layout_.regrid_tiles;
    if (!layout_.regrid_tiff && !serves_both) out.padded_jpeg = encode_window(cell, tile_, true);
    if (layout_.regrid_tiles || layout_.regrid_tiff) {
        out.pixels.resize(static_cast<size_t>(cell.width * cell.height * 4));
        for (int64_t y = 0; y < cell.height; ++y) {
            std::memcpy(out.pixels.data() + y * cell.width * 4, cell.data + y * cell.stride,
                        static_cast<size_t>(cell.width * 4));
        }
    }
    return out;
}

TileSink::TileSink(const RenderJob& job, const TileLayout& layout,
                   const std::filesystem::path& tiles, const std::filesystem::path& tiff,
                   const std::filesystem::path& scratch,
                   std::optional<TiffPyramidWriter::State> state)
    : job_(job),
      layout_(layout),
      tiles_(tiles, job.shape, state.has_value()),
      encoder_(job, layout) {
    if (state) {
        tables_set_ = !state->tables.empty();
        tiff_ = std::make_unique<TiffPyramidWriter>(tiff, layout.tiff_shape,
                                                    tiff_options(job, layout), std::move(*state));
    } else {
        tiff_ =
            std::make_unique<TiffPyramidWriter>(tiff, layout.tiff_shape, tiff_options(job, layout));
    }
    const PyramidShape cells{job.shape.width, job.shape.height, job.shape.tile, 0};
    if (layout.regrid_tiles) {
        tile_windows_ = std::make_unique<Regrid>(scratch.string() + ".tiles", cells, job.shape);
    }
    if (layout.regrid_tiff) {
        tiff_windows_ =
            std::make_unique<Regrid>(scratch.string() + ".tiff", cells, layout.tiff_shape);
    }
}

void TileSink::put_tiff(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg) {
    if (!tables_set_) {
        // Tables depend on quality and chroma alone, so any tile's serve all.
        tiff_->set_tables(jpeg_tables(jpeg));
        tables_set_ = true;
    }
    jpeg_abbreviated(jpeg, abbreviated_);
    tiff_->put(level, column, row, abbreviated_);
}

void TileSink::put(const FinishedCell& cell) {
    const RgbxView pixels{cell.pixels.data(), cell.width, cell.height, cell.width * 4};
    if (tile_windows_) {
        tile_windows_->add(cell.level, cell.column, cell.row, pixels,
                           [&](int level, int64_t column, int64_t row, const RgbxView& window) {
                               tiles_.put(level, column, row,
                                          encoder_.encode_window(window, job_.shape.tile, false));
                           });
    } else {
        tiles_.put(cell.level, cell.column, cell.row, cell.jpeg);
    }
    if (tiff_windows_) {
        tiff_windows_->add(cell.level, cell.column, cell.row, pixels,
                           [&](int level, int64_t column, int64_t row, const RgbxView& window) {
                               if (!tiff_->has_level(level)) return;
                               put_tiff(
                                   level, column, row,
                                   encoder_.encode_window(window, layout_.tiff_shape.tile, true));
                           });
    } else if (tiff_->has_level(cell.level)) {
        put_tiff(cell.level, cell.column, cell.row,
                 cell.padded_jpeg.empty() ? cell.jpeg : cell.padded_jpeg);
    }
}

TiffPyramidWriter::State TileSink::save() {
    TiffPyramidWriter::State state = tiff_->save();
    tiles_.sync();
    return state;
}

void TileSink::finish() {
    tile_windows_.reset();
    tiff_windows_.reset();
    tiff_->finish();
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
