/// Encodes tiles as baseline JPEG (integer DCT, standard Huffman tables) and takes such a stream
/// apart for TIFF.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
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

}  // namespace broadloom
