/// Frame files for tests: a synthetic picture, written by libjpeg and libvips.
#pragma once

#include <unistd.h>
// jpeglib.h wants these before it.
#include <cstddef>
#include <cstdio>
//
#include <jpeglib.h>
#include <vips/vips.h>

#include <array>
#include <atomic>
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <stdexcept>
#include <string>
#include <utility>
#include <vector>

namespace broadloom::test {

using Bytes = std::vector<uint8_t>;

/// A folder that goes away with its contents.
class Folder {
  public:
    Folder() {
        static std::atomic<int> count{0};
        path_ = std::filesystem::temp_directory_path() /
                ("frames_" + std::to_string(getpid()) + "_" + std::to_string(count++));
        std::filesystem::create_directories(path_);
    }
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    [[nodiscard]] std::filesystem::path operator/(const std::string& name) const {
        return path_ / name;
    }

  private:
    std::filesystem::path path_;
};

inline void write_bytes(const std::filesystem::path& path, const Bytes& bytes) {
    std::ofstream out(path, std::ios::binary | std::ios::trunc);
    out.write(reinterpret_cast<const char*>(bytes.data()),
              static_cast<std::streamsize>(bytes.size()));
    if (!out.flush()) throw std::runtime_error("cannot write " + path.string());
}

inline Bytes read_bytes(const std::filesystem::path& path) {
    std::ifstream in(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
}

/// Interleaved samples of `bands` bands.
template <typename T>
struct Picture {
    int width = 0, height = 0, bands = 0;
    std::vector<T> samples;
    [[nodiscard]] T at(int x, int y, int band) const {
        return samples[(static_cast<size_t>(y) * static_cast<size_t>(width) +
                        static_cast<size_t>(x)) *
                           static_cast<size_t>(bands) +
                       static_cast<size_t>(band)];
    }
};

/// Waves with noise of a sixteenth of the range over them; the noise is a linear congruential
/// sequence, so that the picture is the same everywhere.
template <typename T>
Picture<T> wavy(int width, int height, int bands, uint32_t seed = 1) {
    Picture<T> p{width, height, bands, {}};
    p.samples.reserve(static_cast<size_t>(width) * static_cast<size_t>(height) *
                      static_cast<size_t>(bands));
    const double most = sizeof(T) == 1 ? 255 : 65535;
    uint32_t state = seed;
    for (int y = 0; y < height; ++y) {
        for (int x = 0; x < width; ++x) {
            for (int b = 0; b < bands; ++b) {
                state = state * 1664525U + 1013904223U;
                const double noise = (state >> 8) / 16777216.0 / 16;
                const double wave =
                    0.5 + 0.4 * std::sin(x * (0.11 + 0.03 * b) + y * (0.07 - 0.02 * b) + b);
                p.samples.push_back(static_cast<T>((wave * 15 / 16 + noise) * most));
            }
        }
    }
    return p;
}

struct JpegOptions {
    J_COLOR_SPACE stored = JCS_YCbCr;            ///< of the file
    std::vector<std::pair<int, int>> factors{};  ///< sampling a component; empty: 1x1
    int quality = 92;
    bool progressive = false, separate_scans = false;
    int restart_rows = 0;
    std::vector<std::pair<int, Bytes>> segments{};  ///< marker code and content, after APP0
};

[[noreturn]] inline void jpeg_failed(j_common_ptr info) {
    std::array<char, JMSG_LENGTH_MAX> text{};
    info->err->format_message(info, text.data());
    throw std::runtime_error(text.data());
}

/// Bands 1: grey; 3: RGB, or already in the stored space when that is not YCbCr; 4: CMYK.
inline Bytes write_jpeg(const Picture<uint8_t>& p, const JpegOptions& options) {
    jpeg_compress_struct c{};
    jpeg_error_mgr errors{};
    c.err = jpeg_std_error(&errors);
    errors.error_exit = jpeg_failed;
    jpeg_create_compress(&c);
    unsigned char* out = nullptr;
    unsigned long bytes = 0;
    jpeg_mem_dest(&c, &out, &bytes);
    c.image_width = static_cast<JDIMENSION>(p.width);
    c.image_height = static_cast<JDIMENSION>(p.height);
    c.input_components = p.bands;
    c.in_color_space = p.bands == 1 ? JCS_GRAYSCALE : p.bands == 3 ? JCS_RGB : JCS_CMYK;
    jpeg_set_defaults(&c);
    jpeg_set_colorspace(&c, options.stored);
    jpeg_set_quality(&c, options.quality, TRUE);
    c.dct_method = JDCT_ISLOW;
    c.restart_in_rows = options.restart_rows;
    for (int i = 0; i < c.num_components; ++i) {
        const auto f =
            options.factors.empty() ? std::pair{1, 1} : options.factors[static_cast<size_t>(i)];
        c.comp_info[i].h_samp_factor = f.first;
        c.comp_info[i].v_samp_factor = f.second;
    }
    std::array<jpeg_scan_info, 3> scans{};
    for (int i = 0; i < 3; ++i) {
        scans[static_cast<size_t>(i)] = {1, {i, 0, 0, 0}, 0, 63, 0, 0};
    }
    if (options.separate_scans) {
        c.scan_info = scans.data();
        c.num_scans = c.num_components;
    }
    if (options.progressive) jpeg_simple_progression(&c);
    jpeg_start_compress(&c, TRUE);
    for (const auto& [marker, content] : options.segments) {
        jpeg_write_marker(&c, marker, content.data(), static_cast<unsigned>(content.size()));
    }
    while (c.next_scanline < c.image_height) {
        JSAMPROW row = const_cast<JSAMPROW>(
            &p.samples[size_t{c.next_scanline} * static_cast<size_t>(p.width * p.bands)]);
        jpeg_write_scanlines(&c, &row, 1);
    }
    jpeg_finish_compress(&c);
    jpeg_destroy_compress(&c);
    Bytes result(out, out + bytes);
    std::free(out);  // jpeg_mem_dest allocates with malloc
    return result;
}

/// libjpeg's own RGB (grey: one band) at 1/denominator, chroma repeated, accurate integer DCT.
inline Picture<uint8_t> read_jpeg(const Bytes& bytes, int denominator = 1) {
    jpeg_decompress_struct d{};
    jpeg_error_mgr errors{};
    d.err = jpeg_std_error(&errors);
    errors.error_exit = jpeg_failed;
    jpeg_create_decompress(&d);
    Picture<uint8_t> p;
    try {
        jpeg_mem_src(&d, bytes.data(), static_cast<unsigned long>(bytes.size()));
        jpeg_read_header(&d, TRUE);
        d.scale_num = 1;
        d.scale_denom = static_cast<unsigned>(denominator);
        d.do_fancy_upsampling = FALSE;
        d.dct_method = JDCT_ISLOW;
        jpeg_start_decompress(&d);
        p.width = static_cast<int>(d.output_width);
        p.height = static_cast<int>(d.output_height);
        p.bands = d.output_components;
        const auto row_bytes = static_cast<size_t>(p.width * p.bands);
        p.samples.resize(row_bytes * static_cast<size_t>(p.height));
        while (d.output_scanline < d.output_height) {
            JSAMPROW row = &p.samples[d.output_scanline * row_bytes];
            jpeg_read_scanlines(&d, &row, 1);
        }
        jpeg_finish_decompress(&d);
    } catch (...) {
        jpeg_destroy_decompress(&d);
        throw;
    }
    jpeg_destroy_decompress(&d);
    return p;
}

/// An Exif APP1 segment with nothing but the orientation (Exif 2.3, 4.5-4.6; tag 274, SHORT).
inline Bytes exif_orientation(int value, bool big_endian) {
    Bytes b{'E', 'x', 'i', 'f', 0, 0};
    const auto put = [&](unsigned v, int bytes) {
        for (int i = 0; i < bytes; ++i) {
            b.push_back(static_cast<uint8_t>(v >> 8 * (big_endian ? bytes - 1 - i : i)));
        }
    };
    for (int i = 0; i < 2; ++i) b.push_back(big_endian ? 'M' : 'I');
    put(42, 2);
    put(8, 4);    // first directory
    put(1, 2);    // one entry
    put(274, 2);  // Orientation
    put(3, 2);    // SHORT
    put(1, 4);
    put(static_cast<unsigned>(value), 2);
    put(0, 2);
    put(0, 4);  // no further directory
    return b;
}

/// A picture as libvips sees it; the samples are copied.
template <typename T>
VipsImage* to_vips(const Picture<T>& p, VipsInterpretation space) {
    VipsImage* plain = vips_image_new_from_memory_copy(
        p.samples.data(), p.samples.size() * sizeof(T), p.width, p.height, p.bands,
        sizeof(T) == 1 ? VIPS_FORMAT_UCHAR : VIPS_FORMAT_USHORT);
    VipsImage* out = nullptr;
    if (plain == nullptr || vips_copy(plain, &out, "interpretation", space, nullptr) != 0) {
        throw std::runtime_error(vips_error_buffer());
    }
    g_object_unref(plain);
    return out;
}

/// Saves by the name's suffix, which may carry libvips' options in brackets, and lets go of it.
inline void save_vips(VipsImage* image, const std::string& name_and_options) {
    const int failed = vips_image_write_to_file(image, name_and_options.c_str(), nullptr);
    g_object_unref(image);
    if (failed != 0) throw std::runtime_error(vips_error_buffer());
}

}  // namespace broadloom::test
