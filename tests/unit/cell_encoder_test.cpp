// Windows of one colour are encoded once of a kind, and are what they would be without that.
#include <catch2/catch.hpp>
#include <vector>

#include "render/tile_sink.hpp"

using namespace broadloom;

namespace {

RenderJob job_of(int64_t tile) {
    RenderJob job;
    job.shape = {4 * tile, 4 * tile, tile, 0};
    job.options.quality = 90;
    return job;
}

/// A window of one colour; `other` makes its last pixel another.
std::vector<uint8_t> pixels_of(int64_t width, int64_t height, std::array<uint8_t, 4> colour,
                               bool other = false) {
    std::vector<uint8_t> pixels;
    for (int64_t i = 0; i < width * height; ++i) {
        pixels.insert(pixels.end(), colour.begin(), colour.end());
    }
    if (other) pixels[pixels.size() - 4] ^= 0x80;
    return pixels;
}

std::vector<uint8_t> copy(std::span<const uint8_t> bytes) { return {bytes.begin(), bytes.end()}; }

}  // namespace

TEST_CASE("a window of one colour is what an encoder without memory makes of it", "[tiles]") {
    constexpr int64_t kTile = 64;
    const RenderJob job = job_of(kTile);
    const TileLayout layout(job);
    CellEncoder encoder(job, layout);
    struct Window {
        int64_t width, height;
        std::array<uint8_t, 4> colour;
        bool other = false;
    };
    const std::vector<Window> windows{
        {64, 64, {10, 20, 30, 255}}, {64, 64, {10, 20, 30, 255}}, {64, 40, {10, 20, 30, 255}},
        {40, 64, {10, 20, 30, 255}}, {64, 64, {10, 20, 31, 255}}, {64, 64, {10, 20, 31, 255}, true},
        {64, 64, {10, 20, 30, 255}}, {1, 1, {200, 0, 0, 255}},    {64, 64, {10, 20, 30, 255}, true},
    };
    std::vector<std::vector<uint8_t>> tiles;
    for (const Window& w : windows) {
        const std::vector<uint8_t> pixels = pixels_of(w.width, w.height, w.colour, w.other);
        const PictureView view{pixels.data(), w.width, w.height, w.width * 4};
        CellEncoder fresh(job, layout);
        tiles.push_back(copy(encoder.encode_tile(view, 0, 0)));
        CHECK(tiles.back() == copy(fresh.encode_tile(view, 0, 0)));
        CHECK(copy(encoder.encode_tiff(view, 0, 0)) == copy(fresh.encode_tiff(view, 0, 0)));
    }
    CHECK(tiles[0] == tiles[1]);
    // Control: what differs in one pixel or in size is another tile.
    CHECK_FALSE(tiles[4] == tiles[5]);
    CHECK_FALSE(tiles[0] == tiles[2]);
    CHECK_FALSE(tiles[6] == tiles[8]);
}
