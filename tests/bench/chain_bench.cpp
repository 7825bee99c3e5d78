// A scene made into a picture by general libraries, one after the other, the whole canvas in
// memory:
//   chain_bench SCENE FOLDER THREADS
// TurboJPEG decodes, OpenCV warps (remap, bicubic, fixed-point maps) and blends (multiband, 5
// bands), libvips saves deep-zoom tiles and a pyramidal TIFF (512-pixel tiles, JPEG). Prints a line
// of JSON: seconds of each step. Maps and ownership come from the project's own camera model, in
// advance, and are counted apart; light is not corrected.
#include <vips/vips.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/imgproc.hpp>
#include <opencv2/stitching/detail/blenders.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "bench/floor.hpp"
#include "broadloom/canvas.hpp"
#include "broadloom/scene.hpp"
#include "canvas/frame_geometry.hpp"

namespace {

namespace fs = std::filesystem;
using namespace broadloom;

constexpr int kBands = 5;
constexpr int kStep = 16;  // pixels between places that are worked out exactly

/// Where a frame lies: on a lattice of kStep pixels its coordinates and nearness.
struct Placed {
    cv::Rect roi;     // on the canvas; its corner is a multiple of kStep
    cv::Mat lattice;  // CV_32FC3: x, y (OpenCV's, the first pixel's centre is 0), score or -2
};

Placed place(const Canvas& canvas, const FrameGeometry& g) {
    const auto columns = static_cast<int>(canvas.width / kStep + 2);
    const auto rows = static_cast<int>(canvas.height / kStep + 2);
    cv::Mat all(rows, columns, CV_32FC3, cv::Scalar(0, 0, -2));
    int x0 = columns;
    int y0 = rows;
    int x1 = 0;
    int y1 = 0;
    for (int j = 0; j < rows; ++j) {
        for (int i = 0; i < columns; ++i) {
            const Vec3 d = canvas.direction(i * kStep + 0.5, j * kStep + 0.5);
            const double inverse = 1 / norm(d);
            if (dot(d, g.axis()) * inverse < g.cone_cos()) continue;
            const FramePoint p = g.at(d, inverse);
            if (!p.valid) continue;
            all.at<cv::Vec3f>(j, i) = {static_cast<float>(p.x - 0.5), static_cast<float>(p.y - 0.5),
                                       static_cast<float>(p.score)};
            if (!g.covers(p.x, p.y)) continue;
            x0 = std::min(x0, i - 1);
            y0 = std::min(y0, j - 1);
            x1 = std::max(x1, i + 1);
            y1 = std::max(y1, j + 1);
        }
    }
    x0 = std::max(x0, 0);
    y0 = std::max(y0, 0);
    x1 = std::min(x1, columns - 1);
    y1 = std::min(y1, rows - 1);
    Placed out;
    out.lattice = all(cv::Rect(x0, y0, x1 - x0 + 1, y1 - y0 + 1)).clone();
    out.roi = cv::Rect(x0 * kStep, y0 * kStep, (x1 - x0) * kStep, (y1 - y0) * kStep) &
              cv::Rect(0, 0, static_cast<int>(canvas.width), static_cast<int>(canvas.height));
    return out;
}

/// Calls use(x, point) for the pixels of row y of the frame's rectangle; point: as in the lattice.
template <typename Use>
void each_pixel(const Placed& p, int y, const Use& use) {
    const int j = y / kStep;
    const float v = static_cast<float>(y % kStep) / kStep;
    const auto* upper = p.lattice.ptr<cv::Vec3f>(j);
    const auto* lower = p.lattice.ptr<cv::Vec3f>(j + 1);
    for (int x = 0; x < p.roi.width; ++x) {
        const int i = x / kStep;
        const float u = static_cast<float>(x % kStep) / kStep;
        const cv::Vec3f top = upper[i] + u * (upper[i + 1] - upper[i]);
        const cv::Vec3f bottom = lower[i] + u * (lower[i + 1] - lower[i]);
        use(x, top + v * (bottom - top));
    }
}

void check(int failed) {
    if (failed != 0) throw std::runtime_error(std::string("libvips: ") + vips_error_buffer());
}

/// An own frame of each pixel: the one whose middle is nearest (index + 1; 0: none covers it).
cv::Mat owners_of(const Canvas& canvas, const std::vector<Placed>& placed,
                  const std::vector<FrameGeometry>& geometry, int threads) {
    cv::Mat owners(static_cast<int>(canvas.height), static_cast<int>(canvas.width), CV_8UC1,
                   cv::Scalar(0));
    cv::Mat best(owners.size(), CV_32FC1, cv::Scalar(-2));
    for (size_t k = 0; k < placed.size(); ++k) {
        const Placed& p = placed[k];
        for_each_index(static_cast<size_t>(p.roi.height), threads, [&](size_t y, int) {
            auto* owner = owners.ptr<uint8_t>(p.roi.y + static_cast<int>(y)) + p.roi.x;
            auto* score = best.ptr<float>(p.roi.y + static_cast<int>(y)) + p.roi.x;
            each_pixel(p, static_cast<int>(y), [&](int x, const cv::Vec3f& at) {
                if (at[2] <= score[x] || !geometry[k].covers(static_cast<double>(at[0]) + 0.5,
                                                             static_cast<double>(at[1]) + 0.5))
                    return;
                score[x] = at[2];
                owner[x] = static_cast<uint8_t>(k + 1);
            });
        });
    }
    return owners;
}

nlohmann::ordered_json run(const fs::path& scene_file, const fs::path& folder, int threads) {
    const Scene scene = read_scene(scene_file, SceneNeeds::orientations);
    const Canvas canvas = make_canvas(scene, 1);
    if (scene.frames.size() > 255) throw std::runtime_error("too many frames for this program");
    cv::setNumThreads(threads);
    vips_concurrency_set(threads);
    double map_seconds = 0;
    double decode_seconds = 0;
    double remap_seconds = 0;
    double blend_seconds = 0;
    double tiles_seconds = 0;
    double tiff_seconds = 0;

    std::vector<Placed> placed(scene.frames.size());
    std::vector<FrameGeometry> geometry;
    std::vector<fs::path> files;
    for (const Frame& f : scene.frames) {
        geometry.emplace_back(scene.cameras.at(f.camera), f, 1);
        files.push_back(scene.path_of(f));
    }
    cv::Mat owners;
    {
        const Stopwatch watch(map_seconds);
        for_each_index(placed.size(), threads,
                       [&](size_t k, int) { placed[k] = place(canvas, geometry[k]); });
        owners = owners_of(canvas, placed, geometry, threads);
    }
    std::vector<std::vector<uint8_t>> pixels;
    int width = 0;
    int height = 0;
    decode_seconds = test::decode_frames(files, threads, pixels, width, height);

    cv::detail::MultiBandBlender blender(0, kBands);
    {
        const Stopwatch watch(blend_seconds);
        blender.prepare(
            cv::Rect(0, 0, static_cast<int>(canvas.width), static_cast<int>(canvas.height)));
    }
    for (size_t k = 0; k < placed.size(); ++k) {
        const Placed& p = placed[k];
        cv::Mat fixed;
        cv::Mat fractions;
        cv::Mat mask;
        {
            const Stopwatch watch(map_seconds);
            cv::Mat map(p.roi.size(), CV_32FC2);
            for_each_index(static_cast<size_t>(p.roi.height), threads, [&](size_t y, int) {
                auto* row = map.ptr<cv::Vec2f>(static_cast<int>(y));
                each_pixel(p, static_cast<int>(y), [&](int x, const cv::Vec3f& at) {
                    row[x] = {at[0], at[1]};
                });
            });
            cv::convertMaps(map, cv::noArray(), fixed, fractions, CV_16SC2);
            mask = owners(p.roi) == static_cast<double>(k + 1);
        }
        cv::Mat warped;
        {
            const Stopwatch watch(remap_seconds);
            const cv::Mat frame(height, width, CV_8UC3, pixels[k].data());
            cv::remap(frame, warped, fixed, fractions, cv::INTER_CUBIC, cv::BORDER_REPLICATE);
        }
        pixels[k] = {};
        const Stopwatch watch(blend_seconds);
        cv::Mat wide;
        warped.convertTo(wide, CV_16SC3);
        blender.feed(wide, mask, p.roi.tl());
    }
    cv::Mat picture;
    {
        const Stopwatch watch(blend_seconds);
        cv::Mat wide;
        cv::Mat mask;
        blender.blend(wide, mask);
        wide.convertTo(picture, CV_8UC3);
    }
    VipsImage* image =
        vips_image_new_from_memory(picture.data, picture.total() * picture.elemSize(), picture.cols,
                                   picture.rows, 3, VIPS_FORMAT_UCHAR);
    if (image == nullptr) check(1);
    VipsImage* srgb = nullptr;
    check(vips_copy(image, &srgb, "interpretation", VIPS_INTERPRETATION_sRGB, nullptr));
    {
        const Stopwatch watch(tiles_seconds);
        check(vips_dzsave(srgb, (folder / "chain").c_str(), "tile_size", 512, "overlap", 0,
                          "suffix", ".jpg[Q=90,subsample_mode=on]", nullptr));
    }
    {
        // At 90 it would leave chroma at full size, which takes longer.
        const Stopwatch watch(tiff_seconds);
        check(vips_tiffsave(srgb, (folder / "chain.tif").c_str(), "tile", TRUE, "tile_width", 512,
                            "tile_height", 512, "pyramid", TRUE, "compression",
                            VIPS_FOREIGN_TIFF_COMPRESSION_JPEG, "Q", 89, "bigtiff", TRUE, nullptr));
    }
    g_object_unref(srgb);
    g_object_unref(image);
    nlohmann::ordered_json j;
    j["megapixels"] = 1e-6 * static_cast<double>(canvas.width) * static_cast<double>(canvas.height);
    j["frames"] = placed.size();
    j["threads"] = threads;
    j["seconds"] = decode_seconds + remap_seconds + blend_seconds + tiles_seconds + tiff_seconds;
    j["map_seconds"] = map_seconds;
    j["decode_seconds"] = decode_seconds;
    j["remap_seconds"] = remap_seconds;
    j["blend_seconds"] = blend_seconds;
    j["tiles_seconds"] = tiles_seconds;
    j["tiff_seconds"] = tiff_seconds;
    return j;
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 4) {
        std::fprintf(stderr, "usage: chain_bench SCENE FOLDER THREADS\n");
        return 2;
    }
    try {
        if (VIPS_INIT(argv[0]) != 0) throw std::runtime_error("libvips does not start");
        std::printf("%s\n", run(argv[1], argv[2], std::max(1, std::atoi(argv[3]))).dump().c_str());
        return 0;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "chain_bench: %s\n", e.what());
        return 1;
    }
}
