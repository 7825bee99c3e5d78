#include "bench/floor.hpp"

#include <turbojpeg.h>

#include <atomic>
#include <cstring>
#include <ctime>
#include <fstream>
#include <stdexcept>

#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "broadloom/pyramid.hpp"
#include "broadloom/render.hpp"
#include "render/job.hpp"

namespace broadloom::test {

namespace {

namespace fs = std::filesystem;

constexpr int kTile = 512;
constexpr int kTileArea = kTile * kTile;

/// Seconds that `threads` threads take for `count` pieces of work; work(piece, thread).
template <typename Work>
double timed(int threads, size_t count, const Work& work) {
    const double start = monotonic_seconds();
    for_each_index(count, threads, work);
    return monotonic_seconds() - start;
}

/// One thread's codec and buffers, kept between pieces as a fast program would.
struct Codec {
    tjhandle decoder = tjInitDecompress();
    tjhandle encoder = tjInitCompress();
    std::vector<uint8_t> pixels, jpeg;
    int width = 0, height = 0;
    Codec() = default;
    ~Codec() {
        tjDestroy(decoder);
        tjDestroy(encoder);
    }
    Codec(const Codec&) = delete;
    Codec& operator=(const Codec&) = delete;

    void decode(const std::vector<uint8_t>& file, int denominator, int format) {
        int subsampling = 0;
        int space = 0;
        if (tjDecompressHeader3(decoder, file.data(), file.size(), &width, &height, &subsampling,
                                &space) != 0) {
            throw std::runtime_error(tjGetErrorStr2(decoder));
        }
        width = (width + denominator - 1) / denominator;
        height = (height + denominator - 1) / denominator;
        pixels.resize(static_cast<size_t>(width) * static_cast<size_t>(height) *
                      static_cast<size_t>(tjPixelSize[format]));
        if (tjDecompress2(decoder, file.data(), file.size(), pixels.data(), width, 0, height,
                          format, 0) != 0) {
            throw std::runtime_error(tjGetErrorStr2(decoder));
        }
    }
    unsigned long encode(const uint8_t* rgbx, int quality, int subsampling) {
        jpeg.resize(tjBufSize(kTile, kTile, subsampling));
        unsigned char* to = jpeg.data();
        unsigned long size = jpeg.size();
        if (tjCompress2(encoder, rgbx, kTile, 0, kTile, TJPF_RGBX, &to, &size, subsampling, quality,
                        TJFLAG_NOREALLOC) != 0) {
            throw std::runtime_error(tjGetErrorStr2(encoder));
        }
        return size;
    }
};

/// Compact tiles that cover a decoded frame, the last ones of each row and column moved inwards;
/// one that is smaller than a tile is repeated.
std::vector<std::vector<uint8_t>> tiles_of(const Codec& frame) {
    std::vector<std::vector<uint8_t>> tiles;
    for (int y0 = 0; y0 == 0 || y0 + kTile <= frame.height; y0 += kTile) {
        for (int x0 = 0; x0 == 0 || x0 + kTile <= frame.width; x0 += kTile) {
            std::vector<uint8_t> tile(size_t{4} * kTileArea);
            for (int y = 0; y < kTile; ++y) {
                for (int x = 0; x < kTile; ++x) {
                    const auto from = static_cast<size_t>((y0 + y) % frame.height) *
                                          static_cast<size_t>(frame.width) +
                                      static_cast<size_t>((x0 + x) % frame.width);
                    std::memcpy(tile.data() + size_t{4} * static_cast<size_t>(y * kTile + x),
                                frame.pixels.data() + 4 * from, 4);
                }
            }
            tiles.push_back(std::move(tile));
        }
    }
    return tiles;
}

}  // namespace

double processor_seconds() {
    struct timespec t {};
    ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return static_cast<double>(t.tv_sec) + 1e-9 * static_cast<double>(t.tv_nsec);
}

std::vector<uint8_t> file_bytes(const fs::path& path) {
    std::ifstream in(path, std::ios::binary);
    std::vector<uint8_t> bytes(static_cast<size_t>(fs::file_size(path)));
    if (!in.read(reinterpret_cast<char*>(bytes.data()),
                 static_cast<std::streamsize>(bytes.size()))) {
        throw std::runtime_error("cannot read " + path.string());
    }
    return bytes;
}

Floor measure_floor(const fs::path& scene_file, bool draft, double scale, int threads) {
    const Scene scene = read_scene(scene_file, SceneNeeds::orientations);
    RenderOptions options;
    options.out = fs::temp_directory_path() / "bench-plan";  // never made
    options.pass = draft ? Pass::draft : Pass::full;
    options.scale = scale;
    const RenderJob job = prepare_job(scene, options);
    const int subsampling = job.options.chroma == Chroma::c420 ? TJSAMP_420 : TJSAMP_444;

    std::vector<std::vector<uint8_t>> files;
    Floor floor;
    double bytes = 0;
    for (const FrameInput& f : job.frames) {
        files.push_back(file_bytes(f.path));
        bytes += static_cast<double>(files.back().size());
    }
    std::vector<Codec> codecs(static_cast<size_t>(threads));
    const auto decode = [&](size_t i, int thread) {
        codecs[static_cast<size_t>(thread)].decode(files[i], job.frames[i].denominator, TJPF_RGBX);
    };
    // Once before, so that each thread's buffers exist.
    for (int t = 0; t < threads; ++t) decode(0, t);
    floor.frames = static_cast<int64_t>(files.size());
    const double cpu = processor_seconds();
    floor.decode_seconds = timed(threads, files.size(), decode);
    floor.cpu_seconds = processor_seconds() - cpu;
    double frame_pixels = 0;
    for (const FrameInput& f : job.frames) {
        const auto d = static_cast<int64_t>(f.denominator);
        frame_pixels += static_cast<double>(f.info.upright_width()) *
                        static_cast<double>(f.info.upright_height());
        floor.decoded_megapixels += 1e-6 *
                                    static_cast<double>(ceil_div(f.info.upright_width(), d)) *
                                    static_cast<double>(ceil_div(f.info.upright_height(), d));
    }
    floor.frame_bits_per_pixel = 8 * bytes / frame_pixels;

    codecs[0].decode(files[files.size() / 2], job.frames[files.size() / 2].denominator, TJPF_RGBX);
    const auto tiles = tiles_of(codecs[0]);
    files.clear();
    floor.tiles = ceil_div(job.shape.pixel_count(), int64_t{kTileArea});
    std::atomic<uint64_t> encoded{0};
    const auto encode = [&](size_t i, int thread) {
        encoded += codecs[static_cast<size_t>(thread)].encode(tiles[i % tiles.size()].data(),
                                                              job.options.quality, subsampling);
    };
    for (int t = 0; t < threads; ++t) encode(0, t);
    encoded = 0;
    const double encode_cpu = processor_seconds();
    floor.encode_seconds = timed(threads, static_cast<size_t>(floor.tiles), encode);
    floor.cpu_seconds += processor_seconds() - encode_cpu;
    floor.tile_bits_per_pixel =
        8 * static_cast<double>(encoded.load()) / (static_cast<double>(floor.tiles) * kTileArea);
    return floor;
}

double decode_frames(const std::vector<fs::path>& files, int threads,
                     std::vector<std::vector<uint8_t>>& pixels, int& width, int& height) {
    std::vector<std::vector<uint8_t>> bytes;
    for (const fs::path& f : files) bytes.push_back(file_bytes(f));
    pixels.assign(files.size(), {});
    const double seconds = timed(threads, files.size(), [&](size_t i, int) {
        Codec codec;
        codec.decode(bytes[i], 1, TJPF_RGB);
        pixels[i] = std::move(codec.pixels);
        if (i == 0) {
            width = codec.width;
            height = codec.height;
        }
    });
    return seconds;
}

}  // namespace broadloom::test
