/// Encodes tiles as baseline JPEG (integer DCT, standard Huffman tables) and takes such a stream
/// apart for TIFF.
#pragma once

#include <cstddef>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

namespace broadloom {

enum class JpegChroma { c420, c444 };

/// One encoder handle and its buffer; not shared between threads.
class JpegEncoder {
  public:
    JpegEncoder(int quality, JpegChroma chroma);
    ~JpegEncoder();
    JpegEncoder(const JpegEncoder&) = delete;
    JpegEncoder& operator=(const JpegEncoder&) = delete;

    /// Encodes width x height pixels of 4 bytes (R, G, B, ignored). The result is valid until the
    /// next call. Throws Error{internal}.
    std::span<const uint8_t> encode(const uint8_t* rgbx, int64_t width, int64_t height,
                                    std::ptrdiff_t stride_bytes);

  private:
    void* handle_ = nullptr;
    unsigned char* buffer_ = nullptr;
    unsigned long capacity_ = 0;
    int quality_;
    JpegChroma chroma_;
};

/// The quantisation and Huffman tables of a JPEG stream as a TIFF JPEGTables value (SOI, DQT...,
/// DHT..., EOI). Throws Error{internal} when the stream is not a JPEG.
std::vector<uint8_t> jpeg_tables(std::span<const uint8_t> jpeg);

/// The stream without its tables and application segments: an abbreviated stream for a TIFF tile.
/// `out` is overwritten (its capacity is reused).
void jpeg_abbreviated(std::span<const uint8_t> jpeg, std::vector<uint8_t>& out);

/// Steps in which a stream's coefficients of an 8 x 8 block's mean are rounded, in eighths of a
/// level.
struct JpegSteps {
    int luma = 0, chroma = 0;
};
/// Throws Error{internal} when the stream is not a JPEG.
JpegSteps jpeg_mean_steps(std::span<const uint8_t> jpeg);

/// One decoder handle; not shared between threads.
class JpegTileDecoder {
  public:
    JpegTileDecoder();
    ~JpegTileDecoder();
    JpegTileDecoder(const JpegTileDecoder&) = delete;
    JpegTileDecoder& operator=(const JpegTileDecoder&) = delete;

    /// Decodes a stream that must show width x height pixels to rows without gaps of R, G, B, 255.
    /// Nothing larger is decoded. Returns what is wrong with it, like "is 3 x 4 pixels, not 5 x 6";
    /// empty when nothing is.
    std::string decode(std::span<const uint8_t> jpeg, int64_t width, int64_t height,
                       std::vector<uint8_t>& rgbx);

  private:
    void* handle_ = nullptr;
};

/// Size in pixels that the head of a stream tells; nullopt when it does not.
std::optional<std::pair<int64_t, int64_t>> jpeg_size(std::span<const uint8_t> head);

}  // namespace broadloom
