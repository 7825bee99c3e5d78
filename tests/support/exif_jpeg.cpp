#include "support/exif_jpeg.hpp"

#include <turbojpeg.h>

#include <stdexcept>

namespace broadloom::test {

std::vector<uint8_t> exif_jpeg(const std::vector<uint8_t>& rgb, int64_t width, int64_t height,
                               int quality, const ExifData& exif) {
    const tjhandle handle = tjInitCompress();
    unsigned char* data = nullptr;
    unsigned long size = 0;
    const int failed =
        tjCompress2(handle, rgb.data(), static_cast<int>(width), 0, static_cast<int>(height),
                    TJPF_RGB, &data, &size, TJSAMP_420, quality, TJFLAG_ACCURATEDCT);
    std::vector<uint8_t> jpeg;
    if (failed == 0) {
        const std::vector<uint8_t> segment = exif_segment(exif);
        jpeg.reserve(size + segment.size());
        jpeg.assign(data, data + 2);
        jpeg.insert(jpeg.end(), segment.begin(), segment.end());
        jpeg.insert(jpeg.end(), data + 2, data + size);
    }
    tjFree(data);
    tjDestroy(handle);
    if (failed != 0) throw std::runtime_error("a picture cannot be encoded as JPEG");
    return jpeg;
}

}  // namespace broadloom::test
