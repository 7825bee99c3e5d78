/// Pages of TIFFs of 8 or 16 bits with any number of bands, read back by libvips.
#pragma once

#include <vips/vips.h>

#include <cstdint>
#include <cstring>
#include <filesystem>
#include <stdexcept>
#include <string>
#include <vector>

namespace broadloom::test {

struct DeepPage {
    int64_t width = 0, height = 0, bands = 0;
    int bits = 0;
    std::vector<uint16_t> samples;
    [[nodiscard]] int at(int64_t x, int64_t y, int64_t band) const {
        return samples[static_cast<size_t>((y * width + x) * bands + band)];
    }
    friend bool operator==(const DeepPage&, const DeepPage&) = default;
};

/// Page 0 is the picture, each further one half of the one before.
inline DeepPage read_page(const std::filesystem::path& file, int page) {
    const std::string name = file.string() + "[page=" + std::to_string(page) + "]";
    VipsImage* image = vips_image_new_from_file(name.c_str(), nullptr);
    if (image == nullptr) throw std::runtime_error(vips_error_buffer());
    DeepPage p{image->Xsize,
               image->Ysize,
               image->Bands,
               image->BandFmt == VIPS_FORMAT_USHORT ? 16 : 8,
               {}};
    if (p.bits == 8 && image->BandFmt != VIPS_FORMAT_UCHAR) throw std::runtime_error("odd samples");
    size_t size = 0;
    void* data = vips_image_write_to_memory(image, &size);
    g_object_unref(image);
    if (data == nullptr) throw std::runtime_error(vips_error_buffer());
    const auto* bytes = static_cast<const uint8_t*>(data);
    if (p.bits == 16) {
        p.samples.resize(size / 2);
        std::memcpy(p.samples.data(), bytes, size);
    } else {
        p.samples.assign(bytes, bytes + size);
    }
    g_free(data);
    return p;
}

}  // namespace broadloom::test
