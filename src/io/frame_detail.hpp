/// What the parts of the frame reader share; not for other floors.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <optional>
#include <span>
#include <string>

#include "broadloom/error.hpp"
#include "io/frame_reader.hpp"

namespace broadloom::frame_detail {

/// Error{input} with "NAME: WHAT".
[[noreturn]] void refuse(const std::string& name, const std::string& what,
                         const std::string& details = {});

/// A regular file opened for reading. Throws as probe_frame() says.
class FrameFile {
  public:
    FrameFile(const std::filesystem::path& path, const std::string& name);
    ~FrameFile();
    FrameFile(const FrameFile&) = delete;
    FrameFile& operator=(const FrameFile&) = delete;

    [[nodiscard]] int descriptor() const { return descriptor_; }
    [[nodiscard]] int64_t size() const { return size_; }
    [[nodiscard]] const std::string& name() const { return name_; }

    /// Fills as much of `to` as the file has at `offset`; the count of bytes read.
    size_t read_at(int64_t offset, std::span<uint8_t> to) const;

    /// Throws Error{input} when the file is no longer the one that was probed.
    void expect_size(int64_t bytes) const;

  private:
    std::string name_;
    int descriptor_ = -1;
    int64_t size_ = 0;
};

/// Fresh zeroed memory from the system, given back whole at the end: never kept in a heap that
/// counts against the memory budget.
class Mapping {
  public:
    explicit Mapping(size_t bytes);
    ~Mapping();
    Mapping(const Mapping&) = delete;
    Mapping& operator=(const Mapping&) = delete;
    [[nodiscard]] uint8_t* data() const { return static_cast<uint8_t*>(data_); }
    [[nodiscard]] size_t size() const { return bytes_; }

  private:
    void* data_ = nullptr;
    size_t bytes_ = 0;
};

enum class FrameFormat { jpeg, png, tiff };

/// The format by the first bytes; nothing for any other file. Raw files in TIFF's clothes are tiff.
std::optional<FrameFormat> picture_format(const FrameFile& file);

/// Whether the first bytes are those of a camera maker's own container, or a TIFF's first directory
/// is one that only camera raw files have (for a file that is no TIFF: meaningless).
bool has_raw_signature(const FrameFile& file);
bool has_raw_directory(const FrameFile& file);

/// Tells the format by the first bytes. Throws Error{input} for anything else, and for camera raw
/// files, which other readers would open as their small preview.
FrameFormat sniff_format(const FrameFile& file);

/// Fills size, colour, bits, progressive and subsampling from the markers up to the first scan.
void read_jpeg_header(const FrameFile& file, FrameInfo& info);

/// Bytes of the pieces of a file that have to be held in whole while it is read: all of an
/// interlaced PNG, rows of tiles, compressed strips. `info` has size, colour, bits and alpha.
int64_t png_held_bytes(const FrameFile& file, const FrameInfo& info);
int64_t tiff_held_bytes(const FrameFile& file, const FrameInfo& info);

/// Refuses a camera raw file in TIFF's clothes and a TIFF without a readable first directory.
void check_tiff_header(const FrameFile& file);

/// Bytes of a pixel in a decoder's rows.
int64_t pixel_bytes(const FrameInfo& info);

/// The description of an ICC profile, at most 120 bytes of UTF-8 without control characters, or
/// words that say there is none; never fails, whatever the bytes are.
std::string profile_name(std::span<const uint8_t> icc);

/// The same, empty where the description says sRGB.
std::string profile_description(std::span<const uint8_t> icc);

/// Decodes a JPEG into planes that are laid out already; borders are left alone.
void decode_jpeg(const FrameFile& file, const FrameInfo& info, FramePixels& pixels);

/// Repeats the edge samples of every plane kPlanePad samples outwards.
void replicate_borders(FramePixels& pixels);

/// Throws Error{internal} unless a frame can be decoded at 1/denominator.
void check_decode_denominator(int denominator);

}  // namespace broadloom::frame_detail
