/// Reads one frame: its header first, its pixels later into planes that the warp reads.
/// JPEG goes through TurboJPEG straight into its own planes (scaled decode for drafts); TIFF and
/// PNG of 8 and 16 bits go through libvips. Pixels keep the stored orientation: the caller composes
/// it into its coordinate map.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

namespace broadloom {

enum class FrameColour { grey, ycc, rgb };

/// What a frame's header says.
struct FrameInfo {
    int64_t stored_width = 0, stored_height = 0;  ///< as stored, before orientation
    int orientation = 1;  ///< EXIF 1..8; anything else in the file reads as 1
    FrameColour colour = FrameColour::rgb;
    int bits = 8;  ///< 8 or 16
    bool jpeg = false, alpha = false;
    bool progressive = false;              ///< a progressive or multi-scan JPEG
    int subsample_x = 1, subsample_y = 1;  ///< of the two chroma planes (ycc)
    int64_t file_bytes = 0;
    int64_t held_bytes = 0;  ///< TIFF, PNG: pieces of the file that the decoder holds in whole
    /// Description of an embedded ICC profile that is not sRGB, or of the space that the camera's
    /// tags name where none is embedded (Adobe RGB (1998)); else empty.
    std::string profile;
    /// The bytes of the embedded ICC profile, whatever they are, or of Adobe RGB (1998) where the
    /// tags name it; null: neither.
    std::shared_ptr<const std::vector<uint8_t>> icc;

    [[nodiscard]] int64_t upright_width() const {
        return orientation >= 5 ? stored_height : stored_width;
    }
    [[nodiscard]] int64_t upright_height() const {
        return orientation >= 5 ? stored_width : stored_height;
    }
};

/// Reads and checks the header. `name` stands for the file in messages. Throws Error{input} for a
/// missing, empty, truncated-in-the-header, non-image or unsupported (CMYK, more than 16 bits,
/// floating point, JPEG with exotic subsampling that cannot be kept as planes, multi-page is fine:
/// the first page counts) file, Error{machine} for permission and I/O errors.
FrameInfo probe_frame(const std::filesystem::path& path, const std::string& name);

/// One plane with a border of kPlanePad replicated samples on each side: what the longest kernel
/// reaches, and four rows more that its vector code may touch.
inline constexpr int kPlanePad = 8;
struct FramePlane {
    std::byte* origin = nullptr;  ///< sample (0, 0)
    std::ptrdiff_t stride = 0;    ///< bytes a row
    int64_t width = 0, height = 0;
    int subsample_x = 1, subsample_y = 1;  ///< against the frame at this decode scale
};

/// Decoded pixels: 1 plane (grey) or 3 (ycc: Y, Cb, Cr, JFIF full range; rgb: R, G, B), samples of
/// 8 or 16 bits (native byte order). Owns one mapping of memory that is reused by the next decode
/// of the same or a smaller size and given back to the system by release().
class FramePixels {
  public:
    FramePixels() = default;
    FramePixels(FramePixels&& other) noexcept;
    FramePixels& operator=(FramePixels&& other) noexcept;
    FramePixels(const FramePixels&) = delete;
    FramePixels& operator=(const FramePixels&) = delete;
    ~FramePixels();

    /// Lays out planes for a frame at 1/denominator (1, 2, 4, 8, or 16 for one that is reduced
    /// after decoding); contents undefined.
    void allocate(const FrameInfo& info, int denominator);
    void release();

    FrameColour colour = FrameColour::rgb;
    int bits = 8;
    int64_t width = 0, height = 0;  ///< of plane 0: ceil(stored / denominator)
    int denominator = 1;
    std::vector<FramePlane> planes;

  private:
    std::byte* memory_ = nullptr;
    size_t bytes_ = 0;
};

/// Bytes that FramePixels holds for this frame, and bytes that decoding needs besides for its
/// duration (compressed file, codec state, progressive coefficients); upper bounds, tested.
size_t frame_bytes(const FrameInfo& info, int denominator);
size_t frame_decode_bytes(const FrameInfo& info, int denominator);

/// Decodes into `pixels` at 1/denominator (1, 2, 4 or 8): JPEG by its scaled inverse transform,
/// others by averaging blocks (partial blocks at the right and bottom edges average what exists).
/// Borders are replicated. Throws Error{input} for truncated or damaged data (a JPEG decoder's
/// warning about missing data counts as an error) or when the file no longer matches `info`;
/// Error{machine} for I/O.
void decode_frame(const std::filesystem::path& path, const std::string& name, const FrameInfo& info,
                  int denominator, FramePixels& pixels);

/// Caps libvips' caches and threads for the whole process; idempotent, called by the functions
/// above.
void start_frame_library();

}  // namespace broadloom
