// Speed and size of the deflate levels on photographs: deflate_bench PICTURE...
// 16-bit pixels are the photograph halved in linear light, 8-bit ones the photograph itself; one
// thread, tiles of 512.
#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <vector>

#include "image/shrink.hpp"
#include "io/deflate_tile.hpp"
#include "io/frame_reader.hpp"
#include "support/frame_files.hpp"

using namespace broadloom;

namespace {

constexpr int64_t kTile = 512;

struct Samples {
    int64_t width = 0, height = 0;
    int bits = 8;
    std::vector<uint8_t> bytes;  // three samples a pixel
};

Samples read(const char* name) {
    VipsImage* image = vips_image_new_from_file(name, nullptr);
    VipsImage* srgb = nullptr;
    if (image == nullptr ||
        vips_colourspace(image, &srgb, VIPS_INTERPRETATION_sRGB, nullptr) != 0) {
        std::fprintf(stderr, "%s: %s\n", name, vips_error_buffer());
        std::exit(1);
    }
    VipsImage* rgb = nullptr;
    vips_extract_band(srgb, &rgb, 0, "n", 3, nullptr);
    size_t bytes = 0;
    void* memory = vips_image_write_to_memory(rgb, &bytes);
    Samples s{rgb->Xsize, rgb->Ysize, 8, {}};
    const auto* from = static_cast<const uint8_t*>(memory);
    s.bytes.assign(from, from + bytes);
    g_free(memory);
    g_object_unref(rgb);
    g_object_unref(srgb);
    g_object_unref(image);
    return s;
}

Samples halved(const Samples& s) {
    std::vector<uint16_t> deep(static_cast<size_t>(s.width * s.height * 4), 65535);
    for (size_t i = 0; i < deep.size() / 4; ++i) {
        for (size_t c = 0; c < 3; ++c) {
            deep[4 * i + c] = static_cast<uint16_t>(s.bytes[3 * i + c] * 257);
        }
    }
    Samples out{(s.width + 1) / 2, (s.height + 1) / 2, 16, {}};
    std::vector<uint16_t> half(static_cast<size_t>(out.width * out.height * 4));
    shrink_half_deep(reinterpret_cast<const uint8_t*>(deep.data()), s.width, s.height, 8 * s.width,
                     reinterpret_cast<uint8_t*>(half.data()), 8 * out.width);
    out.bytes.resize(half.size() / 4 * 6);
    for (size_t i = 0; i < half.size() / 4; ++i) {
        std::memcpy(&out.bytes[6 * i], &half[4 * i], 6);
    }
    return out;
}

void measure(const std::vector<Samples>& pictures) {
    for (int level = 1; level <= 12; ++level) {
        DeflateTileEncoder encoder(level);
        double raw = 0;
        double compressed = 0;
        double best = 1e9;
        for (int repeat = 0; repeat < 2; ++repeat) {
            raw = compressed = 0;
            const std::clock_t start = std::clock();  // of the processor: others may be at work
            for (const Samples& s : pictures) {
                const int64_t pixel = 3 * s.bits / 8;
                for (int64_t y = 0; y < s.height; y += kTile) {
                    for (int64_t x = 0; x < s.width; x += kTile) {
                        const TilePixels tile{s.bytes.data() + (y * s.width + x) * pixel,
                                              std::min(kTile, s.width - x),
                                              std::min(kTile, s.height - y),
                                              s.width * pixel,
                                              3,
                                              s.bits};
                        raw += static_cast<double>(tile.width * tile.height * pixel);
                        compressed += static_cast<double>(encoder.encode(tile).size());
                    }
                }
            }
            best = std::min(best, static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC);
        }
        const int bits = pictures[0].bits;
        std::printf(
            "%2d bits level %2d: %6.1f MB/s %6.1f Mpixel/s, %5.1f %% of raw, %5.2f bytes a pixel\n",
            bits, level, raw / best / 1e6, raw / (3 * bits / 8) / best / 1e6,
            100 * compressed / raw, compressed / raw * 3 * bits / 8);
        std::fflush(stdout);
    }
}

}  // namespace

int main(int argc, char** argv) {
    start_frame_library();
    std::vector<Samples> shallow, deep;
    for (int i = 1; i < argc; ++i) {
        shallow.push_back(read(argv[i]));
        deep.push_back(halved(shallow.back()));
    }
    if (shallow.empty()) return 2;
    measure(deep);
    measure(shallow);
}
