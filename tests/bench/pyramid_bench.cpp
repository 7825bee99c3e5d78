// The pyramid stage alone, from pixels in memory to tiles on disk:
//   pyramid_bench broadloom tiles|both WIDTH HEIGHT THREADS JPEG FOLDER
//   pyramid_bench libvips   tiles|tiff WIDTH HEIGHT THREADS JPEG FOLDER
// The picture is the decoded JPEG, repeated: pixels that are in memory, whatever the size.
// 512-pixel tiles, no overlap, quality 90, 4:2:0. Prints a line of JSON: seconds until everything
// is written, and then until it is synced.
#include <fcntl.h>
#include <unistd.h>
#include <vips/vips.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "bench/floor.hpp"
#include "render/climber.hpp"

namespace {

namespace fs = std::filesystem;
using namespace broadloom;
using Json = nlohmann::ordered_json;

struct Wanted {
    std::string what;
    int64_t width = 0, height = 0;
    int threads = 1;
    fs::path folder;
};

/// The decoded frame, `channels` bytes a pixel.
struct Pixels {
    int width = 0, height = 0;
    std::vector<uint8_t> values;
};

Pixels decoded(const fs::path& jpeg) {
    Pixels p;
    std::vector<std::vector<uint8_t>> frames;
    test::decode_frames({jpeg}, 1, frames, p.width, p.height);
    p.values = std::move(frames[0]);
    return p;
}

Pixels with_fourth_byte(const Pixels& rgb) {
    Pixels p{rgb.width, rgb.height, {}};
    p.values.assign(rgb.values.size() / 3 * 4, 255);
    for (size_t i = 0; i < rgb.values.size() / 3; ++i)
        std::memcpy(p.values.data() + 4 * i, rgb.values.data() + 3 * i, 3);
    return p;
}

/// Copies `rect` of the repeated picture.
void copy_from(const Pixels& frame, const Rect& rect, uint8_t* to) {
    for (int64_t y = rect.y0; y < rect.y1; ++y) {
        const uint8_t* row = frame.values.data() + 4 * (y % frame.height) * frame.width;
        for (int64_t x = rect.x0; x < rect.x1;) {
            const int64_t at = x % frame.width;
            const int64_t n = std::min<int64_t>(frame.width - at, rect.x1 - x);
            std::memcpy(to, row + 4 * at, static_cast<size_t>(4 * n));
            to += 4 * n;
            x += n;
        }
    }
}

void sync_folder(const fs::path& folder) {
    const int handle = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (handle >= 0) ::syncfs(handle);
    if (handle >= 0) ::close(handle);
}

Json run_here(const Wanted& w, Pixels rgb) {
    const Pixels frame = with_fourth_byte(rgb);
    rgb = {};
    RenderJob job;
    job.options.threads = w.threads;
    job.shape = {w.width, w.height, job.options.tile, job.options.overlap};
    // Somewhere on a sphere, for the metadata.
    Canvas& c = job.output;
    c.width = w.width;
    c.height = w.height;
    c.pixels_per_degree =
        std::max(static_cast<double>(w.width) / 300, static_cast<double>(w.height) / 150);
    c.right_deg = static_cast<double>(w.width) / c.pixels_per_degree / 2;
    c.left_deg = -c.right_deg;
    c.top_deg = static_cast<double>(w.height) / c.pixels_per_degree / 2;
    c.bottom_deg = -c.top_deg;
    // As wide as the blocks that a render makes.
    job.tree = std::make_unique<Quadtree>(job.shape, job.block.core);
    TileLayout layout(job);
    layout.with_tiff = w.what == "both";
    Parents parents(*job.tree);
    TileSink sink(job, layout, w.folder / "pano_files", w.folder / "pano.tif", w.folder / "scratch",
                  {});
    OrderedCommitter committer(sink, 0, job.wanted);
    OrderedCommitter::Hooks hooks;
    hooks.committed = [&](int64_t node) { parents.committed(node); };
    committer.set_hooks(hooks);
    std::vector<std::unique_ptr<Climber>> climbers;
    for (int t = 0; t < w.threads; ++t)
        climbers.push_back(std::make_unique<Climber>(job, layout, committer, parents));
    const double cpu = test::processor_seconds();
    const double start = monotonic_seconds();
    for_each_index(job.tree->leaves.size(), w.threads, [&](size_t i, int t) {
        const Rect rect =
            job.tree->picture_rect(job.tree->nodes[static_cast<size_t>(job.tree->leaves[i])]);
        Climber& climber = *climbers[static_cast<size_t>(t)];
        copy_from(frame, rect, climber.leaf_pixels(rect.width(), rect.height()));
        climber.finish_leaf(static_cast<int64_t>(i));
    });
    const double written = monotonic_seconds();
    const double cpu_seconds = test::processor_seconds() - cpu;
    sink.finish();
    Json j{{"seconds", written - start},
           {"cpu_seconds", cpu_seconds},
           {"sync_seconds", monotonic_seconds() - written}};
    ClimbTimes all;
    for (const auto& climber : climbers) {
        all.shrink += climber->times().shrink;
        all.encode += climber->times().encode;
        all.write += climber->times().write;
    }
    j["stage_seconds"] = {{"shrink", all.shrink}, {"encode", all.encode}, {"write", all.write}};
    return j;
}

void check(int failed) {
    if (failed != 0) throw std::runtime_error(std::string("libvips: ") + vips_error_buffer());
}

Json run_libvips(const Wanted& w, const Pixels& rgb) {
    vips_concurrency_set(w.threads);
    VipsImage* frame = vips_image_new_from_memory(rgb.values.data(), rgb.values.size(), rgb.width,
                                                  rgb.height, 3, VIPS_FORMAT_UCHAR);
    if (frame == nullptr) check(1);
    VipsImage* srgb = nullptr;
    VipsImage* repeated = nullptr;
    VipsImage* picture = nullptr;
    const auto width = static_cast<int>(w.width);
    const auto height = static_cast<int>(w.height);
    check(vips_copy(frame, &srgb, "interpretation", VIPS_INTERPRETATION_sRGB, nullptr));
    check(vips_replicate(srgb, &repeated, width / rgb.width + 1, height / rgb.height + 1, nullptr));
    check(vips_crop(repeated, &picture, 0, 0, width, height, nullptr));
    const double cpu = test::processor_seconds();
    const double start = monotonic_seconds();
    if (w.what == "tiles") {
        check(vips_dzsave(picture, (w.folder / "pano").c_str(), "tile_size", 512, "overlap", 0,
                          "suffix", ".jpg[Q=90,subsample_mode=on]", nullptr));
    } else {
        // At 90 it would leave chroma at full size, which takes longer.
        check(vips_tiffsave(picture, (w.folder / "pano.tif").c_str(), "tile", TRUE, "tile_width",
                            512, "tile_height", 512, "pyramid", TRUE, "compression",
                            VIPS_FOREIGN_TIFF_COMPRESSION_JPEG, "Q", 89, "bigtiff", TRUE, nullptr));
    }
    const double written = monotonic_seconds();
    const double cpu_seconds = test::processor_seconds() - cpu;
    sync_folder(w.folder);
    for (VipsImage* image : {picture, repeated, srgb, frame}) g_object_unref(image);
    return {{"seconds", written - start},
            {"cpu_seconds", cpu_seconds},
            {"sync_seconds", monotonic_seconds() - written}};
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 8) {
        std::fprintf(stderr,
                     "usage: pyramid_bench broadloom|libvips tiles|both|tiff WIDTH HEIGHT THREADS "
                     "JPEG FOLDER\n");
        return 2;
    }
    try {
        const std::string who = argv[1];
        const Wanted w{argv[2], std::atoll(argv[3]), std::atoll(argv[4]),
                       std::max(1, std::atoi(argv[5])), argv[7]};
        Pixels rgb = decoded(argv[6]);
        if (who == "libvips" && VIPS_INIT(argv[0]) != 0)
            throw std::runtime_error("libvips does not start");
        Json j{{"who", who},
               {"what", w.what},
               {"width", w.width},
               {"height", w.height},
               {"threads", w.threads}};
        j.update(who == "libvips" ? run_libvips(w, rgb) : run_here(w, std::move(rgb)));
        j["megapixels_per_second"] = 1e-6 * static_cast<double>(w.width) *
                                     static_cast<double>(w.height) / j["seconds"].get<double>();
        std::printf("%s\n", j.dump().c_str());
        return 0;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "pyramid_bench: %s\n", e.what());
        return 1;
    }
}
