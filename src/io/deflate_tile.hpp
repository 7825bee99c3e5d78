/// Compresses a TIFF tile without loss: differences along the rows (TIFF 6.0, section 14, Predictor
/// 2), then deflate in a zlib stream (Compression 8; TIFF Technical Notes for Photoshop 7).
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace broadloom {

/// The pixels of a tile: rows of `stride` bytes with `samples` interleaved samples a pixel, of 8
/// bits or of 16 in the machine's order.
struct TilePixels {
    const uint8_t* data = nullptr;
    int64_t width = 0, height = 0;
    std::ptrdiff_t stride = 0;
    int samples = 3;
    int bits = 16;
};

/// One compressor and its buffers; not shared between threads.
class DeflateTileEncoder {
  public:
    /// Measured on photographs (DEVELOPERS.md): level 6 takes twice as long and saves a hundredth.
    static constexpr int kLevel = 1;

    /// Throws Error{internal} for a level outside 1..12, Error{machine} without memory.
    explicit DeflateTileEncoder(int level = kLevel);
    ~DeflateTileEncoder();
    DeflateTileEncoder(const DeflateTileEncoder&) = delete;
    DeflateTileEncoder& operator=(const DeflateTileEncoder&) = delete;

    /// The tile's bytes for the file, 16-bit samples little-endian; valid until the next call. The
    /// same bytes on every processor. Throws Error{internal} for an impossible tile, Error{machine}
    /// without memory.
    std::span<const uint8_t> encode(const TilePixels& pixels);

    /// Upper bound of the bytes that an encoder of up to level 9 holds for tiles of `tile_bytes`.
    static size_t bytes_bound(size_t tile_bytes);

  private:
    void* compressor_ = nullptr;
    std::vector<uint8_t> differences_, compressed_;
};

}  // namespace broadloom
