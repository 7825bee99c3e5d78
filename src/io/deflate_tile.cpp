#include "io/deflate_tile.hpp"

#include <libdeflate.h>

#include <bit>
#include <cstring>
#include <string>

#include "broadloom/error.hpp"

namespace broadloom {

namespace {

// libdeflate 1.14 allocates 203 kB for a compressor of level 1, 668 kB up to level 9.
constexpr size_t kCompressorBytes = 1U << 20;

libdeflate_compressor* handle(void* compressor) {
    return static_cast<libdeflate_compressor*>(compressor);
}

/// Each sample less the same sample of the pixel before it, modulo 2^bits.
template <typename T>
void difference_row(const uint8_t* row, size_t count, size_t samples, uint8_t* out) {
    // The samples' bytes are moved as such: rows need not be aligned.
    const auto sample = [row](size_t i) {
        T value;
        std::memcpy(&value, row + i * sizeof(T), sizeof(T));
        return value;
    };
    for (size_t i = 0; i < count; ++i) {
        auto value = static_cast<T>(sample(i) - (i < samples ? T{0} : sample(i - samples)));
        if constexpr (sizeof(T) == 2 && std::endian::native == std::endian::big) {
            value = static_cast<T>(value << 8 | value >> 8);
        }
        std::memcpy(out + i * sizeof(T), &value, sizeof(T));
    }
}

}  // namespace

DeflateTileEncoder::DeflateTileEncoder(int level) {
    if (level < 1 || level > 12) {
        throw Error(ErrorCode::internal, "deflate level " + std::to_string(level) +
                                             " is outside 1..12; report this fault");
    }
    compressor_ = libdeflate_alloc_compressor(level);
    if (compressor_ == nullptr) {
        throw Error(ErrorCode::machine, "no memory for compressing tiles: free memory");
    }
}

DeflateTileEncoder::~DeflateTileEncoder() { libdeflate_free_compressor(handle(compressor_)); }

std::span<const uint8_t> DeflateTileEncoder::encode(const TilePixels& p) {
    constexpr int64_t kMaxSide = 65488;
    const int64_t sample_bytes = p.bits / 8;
    const int64_t row_bytes = p.width * p.samples * sample_bytes;
    if (p.width < 1 || p.height < 1 || p.width > kMaxSide || p.height > kMaxSide || p.samples < 1 ||
        p.samples > 4 || (p.bits != 8 && p.bits != 16) || p.stride < row_bytes) {
        throw Error(ErrorCode::internal,
                    "a TIFF tile of " + std::to_string(p.width) + "x" + std::to_string(p.height) +
                        " pixels, " + std::to_string(p.samples) + " samples of " +
                        std::to_string(p.bits) + " bits is impossible; report this fault");
    }
    differences_.resize(static_cast<size_t>(row_bytes * p.height));
    const auto samples = static_cast<size_t>(p.samples);
    const auto count = static_cast<size_t>(p.width) * samples;
    for (int64_t y = 0; y < p.height; ++y) {
        const uint8_t* row = p.data + y * p.stride;
        uint8_t* out = differences_.data() + y * row_bytes;
        if (p.bits == 16) {
            difference_row<uint16_t>(row, count, samples, out);
        } else {
            difference_row<uint8_t>(row, count, samples, out);
        }
    }
    compressed_.resize(libdeflate_zlib_compress_bound(handle(compressor_), differences_.size()));
    const size_t bytes =
        libdeflate_zlib_compress(handle(compressor_), differences_.data(), differences_.size(),
                                 compressed_.data(), compressed_.size());
    if (bytes == 0) {
        throw Error(ErrorCode::internal, "a TIFF tile cannot be compressed; report this fault");
    }
    return {compressed_.data(), bytes};
}

size_t DeflateTileEncoder::bytes_bound(size_t tile_bytes) {
    return kCompressorBytes + tile_bytes + libdeflate_zlib_compress_bound(nullptr, tile_bytes);
}

}  // namespace broadloom
