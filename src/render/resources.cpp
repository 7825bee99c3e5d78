#include "render/resources.hpp"

#include <algorithm>
#include <chrono>
#include <string>

#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/jpeg_codec.hpp"
#include "render/frame_cache.hpp"
#include "render/tile_sink.hpp"

namespace broadloom {

namespace {

int64_t pixels_root(const RenderJob& job, int64_t frame) {
    const int64_t same = job.frames[static_cast<size_t>(frame)].same_as;
    return same >= 0 ? same : frame;
}

/// What JPEG tiles will take a pixel, from what the frames themselves take.
double jpeg_bytes_a_pixel(const RenderJob& job) {
    double bytes = 0;
    double pixels = 0;
    for (const FrameInput& f : job.frames) {
        if (!f.info.jpeg) continue;
        bytes += static_cast<double>(f.info.file_bytes);
        pixels += static_cast<double>(f.info.stored_width * f.info.stored_height);
    }
    double each = pixels > 0 ? std::clamp(1.3 * bytes / pixels, 0.05, 1.5) : 0.7;
    if (job.options.quality > 90) each *= 1 + (job.options.quality - 90) * 0.2;
    if (job.options.chroma == Chroma::c444) each *= 1.4;
    return each;
}

/// Decodes for each frame above which more memory is worth a word, and below which it is not.
constexpr double kManyDecodes = 1.15;
constexpr double kFewDecodes = 1.03;
constexpr size_t kMemoryStep = size_t{8} << 20;

}  // namespace

size_t base_memory(bool settles) {
    // The code and tables that run later and the allocator's slack; measured with margin.
    constexpr size_t kCodeAndSlack = 4U << 20;
    // What deciding the seams leaves behind in the allocator.
    constexpr size_t kSettled = 4U << 20;
    // In steps well above what one run differs from the next, so that the least budget that is told
    // works the next time too.
    constexpr size_t kStep = 4U << 20;
    return std::max<size_t>(40U << 20,
                            (static_cast<size_t>(resident_bytes()) / kStep + 1) * kStep) +
           kCodeAndSlack + (settles ? kSettled : 0);
}

MemoryShares share_memory(const RenderJob& job) {
    MemoryShares m;
    m.base = job.memory.base;
    const auto pixel_bytes = static_cast<size_t>(job.pixel_bytes());
    const auto tile_bytes = static_cast<size_t>(job.shape.tile * job.shape.tile) * pixel_bytes;
    const int up = job.shape.levels() - 1 - job.tree->leaf_level;
    const auto leaf_side = static_cast<size_t>(job.shape.tile << up);
    const size_t leaf_bytes = leaf_side * leaf_side * pixel_bytes;
    const TileLayout layout(job);
    const size_t encoder = CellEncoder::bytes_bound(job, layout);
    // A leaf's picture and its shrunk levels, tile buffers, the JPEG encoder's worst case.
    size_t decode = 0;
    for (const FrameInput& f : job.frames) decode = std::max(decode, f.decode_bytes);
    m.per_thread = BlockRenderer::bytes_bound(job.block, job.deep) + leaf_bytes * 3 / 2 +
                   2 * static_cast<size_t>(job.shape.tile * job.shape.tile) * 4 + encoder + decode;
    // Look-ahead: lattices of a handful of frames a leaf, labels, encoded tiles.
    const Rect area = block_surroundings(
        job.canvas, {0, 0, static_cast<int64_t>(leaf_side), static_cast<int64_t>(leaf_side)},
        job.block.bands);
    const size_t leaf_plan =
        CellMap::bytes(cells_of(area.grown(seam_reach(job.block.bands)))) * job.most_candidates +
        (256U << 10);
    const bool regrid = layout.regrid_tiles || layout.regrid_tiff;
    // Whole pictures, or two streams: together at most a quarter of the 8-bit pixels as JPEG; what
    // is stored without loss may not shrink at all.
    size_t leaf_output = leaf_side * leaf_side * (regrid ? pixel_bytes : 1);
    if (job.tiff.lossless() && !layout.regrid_tiff) {
        leaf_output += leaf_side * leaf_side * static_cast<size_t>(job.tiff.bits / 8) * 4;
    }
    m.per_thread += 2 * (leaf_plan + leaf_output);
    // A parent under way on each level; below one tile's size they are small.
    int large_levels = 0;
    for (int level = 0; level < job.tree->leaf_level; ++level) {
        if (job.shape.level_width(level) > job.shape.tile / 2 ||
            job.shape.level_height(level) > job.shape.tile / 2) {
            ++large_levels;
        }
    }
    m.shared = 2 * (leaf_plan + leaf_output) + static_cast<size_t>(large_levels + 4) * tile_bytes +
               (job.deep ? encoder : 0) +  // the sink's own
               (4U << 20) + job.tree->nodes.size() * 280 + job.label_bytes;
    // Frames that one leaf needs together. What samples missed of them is told when it is met.
    for (const auto& frames : job.leaf_frames) {
        std::vector<int64_t> roots;
        roots.reserve(frames.size());
        for (const int f : frames) roots.push_back(pixels_root(job, f));
        std::sort(roots.begin(), roots.end());
        roots.erase(std::unique(roots.begin(), roots.end()), roots.end());
        size_t sum = 0;
        for (const int64_t f : roots) sum += job.frames[static_cast<size_t>(f)].bytes;
        m.frames = std::max(m.frames, sum);
    }
    return m;
}

int64_t estimate_tiff(const RenderJob& job) {
    if (!job.tiff.lossless()) {
        const auto picture = static_cast<double>(job.shape.pixel_count());
        return static_cast<int64_t>(std::min(picture * jpeg_bytes_a_pixel(job), 9e18));
    }
    const TileLayout layout(job);
    const PyramidShape& shape = layout.tiff_shape;
    double tiles = 0;
    for (int level = 0; level < shape.levels(); ++level) {
        if (!layout.in_tiff(level)) continue;
        tiles += static_cast<double>(shape.columns(level)) * static_cast<double>(shape.rows(level));
    }
    // Three samples that do not shrink at all: photographs took 4.6 to 6 bytes of 6 (noise, fine
    // detail), and 1.4 of 3. Alpha takes next to nothing.
    const double each = job.tiff.bits == 16 ? 6.1 : 3.0;
    return static_cast<int64_t>(
        std::min(tiles * static_cast<double>(shape.tile * shape.tile) * each, 9e18));
}

int64_t estimate_disk(const RenderJob& job) {
    const auto picture = static_cast<double>(job.shape.pixel_count());
    double total = picture * jpeg_bytes_a_pixel(job) + static_cast<double>(estimate_tiff(job)) +
                   3000.0 * static_cast<double>(job.plan.tiles) + (4 << 20);
    // Cells that wait in scratch files where tiles do not coincide with them.
    const TileLayout layout(job);
    const PyramidShape cells{job.shape.width, job.shape.height, job.shape.tile, 0};
    const auto scratch = [&](const PyramidShape& windows) {
        return static_cast<double>(Regrid::scratch_bound(cells, windows, job.pixel_bytes()));
    };
    if (layout.regrid_tiles) total += scratch(job.shape);
    if (layout.regrid_tiff) total += scratch(layout.tiff_shape);
    // The survey's file is gone before much of the picture is there, but not before all of it.
    total = std::max(total, static_cast<double>(job.settle_disk_bytes) + (4 << 20));
    return static_cast<int64_t>(std::min(total, 9e18));
}

int64_t forecast_decodes(const RenderJob& job, size_t capacity) {
    FrameCache cache(job, capacity);
    std::vector<int> missing;
    for (size_t leaf = 0; leaf < job.leaf_frames.size(); ++leaf) {
        missing.clear();
        // What finds no room at all is refused elsewhere.
        if (!cache.admit(static_cast<int64_t>(leaf), job.leaf_frames[leaf], missing)) continue;
        for (const int frame : missing) cache.imagine_decoded(frame);
        cache.unpin(job.leaf_frames[leaf]);
    }
    return cache.decodes();
}

std::vector<std::string> memory_notes(const RenderJob& job, int wanted_threads, int64_t decodes) {
    std::vector<std::string> notes;
    const auto as_option = [](size_t bytes) {
        return "--memory " + std::to_string((bytes >> 20) + 1) + "M";
    };
    if (job.options.threads < wanted_threads) {
        notes.push_back("memory allows " + std::to_string(job.options.threads) + " of " +
                        std::to_string(wanted_threads) + " threads; " +
                        as_option(job.memory.fixed(wanted_threads) + job.memory.frames) +
                        " would allow all");
    }
    size_t all_frames = 0;
    int64_t files = 0;
    for (const FrameInput& f : job.frames) {
        if (f.same_as >= 0) continue;
        all_frames += f.bytes;
        ++files;
    }
    if (static_cast<double>(decodes) <= kManyDecodes * static_cast<double>(files)) return notes;
    // The least cache that decodes hardly any frame twice.
    size_t low = job.frame_cache_bytes;
    size_t high = all_frames;
    while (high - low > kMemoryStep) {
        const size_t middle = low + (high - low) / 2;
        const auto then = static_cast<double>(forecast_decodes(job, middle));
        (then <= kFewDecodes * static_cast<double>(files) ? high : low) = middle;
    }
    notes.push_back("frames are decoded again where memory is short: about " +
                    std::to_string(decodes) + " decodes of " + std::to_string(files) + " frames; " +
                    as_option(job.memory.fixed(wanted_threads) + high) +
                    " would need hardly more than one each");
    return notes;
}

double estimate_seconds(const RenderJob& job, int64_t decodes) {
    // The unit is the time to encode a megapixel here; the factors are ratios to it, measured on
    // one machine (see DEVELOPERS.md) and steady across processors to within tens of per cent.
    constexpr int64_t kSide = 512;
    std::vector<uint8_t> noise(static_cast<size_t>(kSide * kSide * 4));
    uint32_t state = 1;
    for (uint8_t& v : noise) {
        state = state * 1664525U + 1013904223U;
        v = static_cast<uint8_t>(110 + (state >> 27));
    }
    JpegEncoder encoder(90, JpegChroma::c420);
    double unit = 1e9;
    for (int i = 0; i < 4; ++i) {
        const auto start = std::chrono::steady_clock::now();
        encoder.encode(noise.data(), kSide, kSide, kSide * 4);
        unit = std::min(
            unit, std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count() /
                      (static_cast<double>(kSide * kSide) / 1e6));
    }
    double decoded = 0;
    double files = 0;
    for (const FrameInput& f : job.frames) {
        if (f.same_as >= 0) continue;
        files += 1;
        const double whole = static_cast<double>(f.info.stored_width * f.info.stored_height) / 1e6;
        constexpr double kOtherFormats = 4;  // inflating 16-bit samples
        decoded += whole * (f.info.jpeg ? (f.denominator > 1 ? 1.3 : 1.45) : kOtherFormats);
    }
    const double repeats = static_cast<double>(decodes) / std::max(1.0, files);
    const double canvas =
        static_cast<double>(job.shape.width) * static_cast<double>(job.shape.height) / 1e6;
    double each = job.block.bands > 0 ? 6.8 : 4.9;
    if (job.deep) each += 8;  // floats, two conversions, a second encoding
    if (job.tiff.lossless()) each += job.tiff.bits == 16 ? 18 : 7;  // deflate
    return unit * (decoded * repeats + job.settle_seconds + canvas * each) / job.options.threads +
           0.3;
}

void check_resources(const RenderJob& job) {
    const RenderPlan& plan = job.plan;
    if (plan.least_memory_bytes > plan.memory_budget_bytes) {
        const int64_t mib = ceil_div(plan.least_memory_bytes, 1 << 20);
        throw Error(ErrorCode::usage,
                    "--memory " + format_bytes(plan.memory_budget_bytes) +
                        " is too little for these frames; give at least --memory " +
                        std::to_string(mib) + "M");
    }
    if (plan.disk_bytes > plan.free_disk_bytes) {
        throw Error(ErrorCode::machine,
                    "--out " + escaped(job.options.out.string()) + ": the result needs about " +
                        format_bytes(plan.disk_bytes) + " but only " +
                        format_bytes(plan.free_disk_bytes) +
                        " are free there; make room, choose another disk, or lower --scale");
    }
}

}  // namespace broadloom
