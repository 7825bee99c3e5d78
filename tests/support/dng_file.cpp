#include "support/dng_file.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom::test {
namespace {

/// IEC 61966-2-1, XYZ to linear sRGB, in ten-thousandths.
constexpr std::array<int, 9> kXyzToRgb{32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570};
constexpr int kThumbnailWidth = 16, kThumbnailHeight = 12;

std::vector<uint8_t> bytes_of_32(uint32_t value) {
    std::vector<uint8_t> bytes;
    put32(bytes, value);
    return bytes;
}

TiffDirectory mosaic_directory(const DngPicture& p, uint32_t data_at, bool alone) {
    TiffDirectory d;
    if (!alone) d.long_number(254, 0);  // the full picture
    d.long_number(256, static_cast<uint32_t>(p.width));
    d.long_number(257, static_cast<uint32_t>(p.height));
    d.number(258, 16);
    d.number(259, 1);      // uncompressed
    d.number(262, 32803);  // colour filter array
    d.long_number(273, data_at);
    d.number(277, 1);
    d.long_number(278, static_cast<uint32_t>(p.height));
    d.long_number(279, static_cast<uint32_t>(p.width * p.height * 2));
    d.number(284, 1);
    d.numbers(33421, {2, 2});         // CFARepeatPatternDim
    d.bytes_of(33422, {0, 1, 1, 2});  // CFAPattern: R G / G B
    d.number(50714, p.black);         // BlackLevel
    d.number(50717, p.white);         // WhiteLevel
    return d;
}

TiffDirectory thumbnail_directory(const DngPicture& p, uint32_t data_at) {
    TiffDirectory d = exif_main_directory(p.exif);
    const auto shorts = [&](uint16_t tag, const std::vector<uint16_t>& values) {
        std::vector<uint8_t> bytes;
        for (const uint16_t v : values) put16(bytes, v);
        d.replace(tag, TiffDirectory::kShort, static_cast<uint32_t>(values.size()), bytes);
    };
    const auto longs = [&](uint16_t tag, uint32_t value) {
        d.replace(tag, TiffDirectory::kLong, 1, bytes_of_32(value));
    };
    longs(254, 1);  // reduced
    longs(256, kThumbnailWidth);
    longs(257, kThumbnailHeight);
    shorts(258, {8, 8, 8});
    shorts(259, {1});
    shorts(262, {2});
    longs(273, data_at);
    shorts(277, {3});
    longs(278, kThumbnailHeight);
    longs(279, kThumbnailWidth * kThumbnailHeight * 3);
    shorts(284, {1});
    return d;
}

/// What a DNG's first directory says about the camera.
void add_camera(TiffDirectory& d, const DngPicture& p) {
    const std::string camera = p.exif.make + " " + p.exif.model;
    std::vector<uint8_t> name(camera.begin(), camera.end()), matrix, neutral;
    name.push_back(0);
    for (const int v : kXyzToRgb) {
        put32(matrix, static_cast<uint32_t>(v));
        put32(matrix, 10000);
    }
    for (const double v : p.neutral) {
        put32(neutral, static_cast<uint32_t>(std::lround(v * 1000000)));
        put32(neutral, 1000000);
    }
    std::vector<uint8_t> d65;
    put16(d65, 21);
    d.replace(50706, TiffDirectory::kByte, 4, {1, 4, 0, 0});  // DNGVersion
    d.replace(50708, TiffDirectory::kAscii, static_cast<uint32_t>(name.size()), name);
    d.replace(50721, TiffDirectory::kSignedRational, 9, matrix);  // ColorMatrix1
    d.replace(50728, TiffDirectory::kRational, 3, neutral);       // AsShotNeutral
    d.replace(50778, TiffDirectory::kShort, 1, d65);              // CalibrationIlluminant1
}

std::vector<uint8_t> mosaic_bytes(const DngPicture& p) {
    std::vector<uint8_t> bytes;
    bytes.reserve(static_cast<size_t>(p.width) * static_cast<size_t>(p.height) * 2);
    for (int y = 0; y < p.height; ++y) {
        for (int x = 0; x < p.width; ++x) {
            const auto c = static_cast<size_t>(y % 2 + x % 2);
            const double light = std::clamp(p.light(x, y)[c] * p.neutral[c], 0.0, 1.0);
            put16(bytes, static_cast<uint32_t>(std::lround(p.black + light * (p.white - p.black))));
        }
    }
    return bytes;
}

}  // namespace

std::vector<uint8_t> dng_file(const DngPicture& p) {
    // Two rounds: the second knows where everything stands.
    uint32_t first_at = 8, photo_at = 0, position_at = 0, mosaic_at = 0, small_at = 0, data_at = 0;
    TiffDirectory position;
    for (const ExifEntry& e : p.exif.position) position.add(e.tag, e.type, e.count, e.bytes);
    const bool placed = !p.exif.position.empty();
    std::vector<uint8_t> file;
    for (int round = 0; round < 2; ++round) {
        TiffDirectory first =
            p.thumbnail ? thumbnail_directory(p, small_at) : mosaic_directory(p, data_at, true);
        if (!p.thumbnail) {
            std::vector<uint8_t> make(p.exif.make.begin(), p.exif.make.end());
            make.push_back(0);
            first.replace(271, TiffDirectory::kAscii, static_cast<uint32_t>(make.size()), make);
        }
        add_camera(first, p);
        first.replace(34665, TiffDirectory::kLong, 1, bytes_of_32(photo_at));
        if (placed) first.replace(34853, TiffDirectory::kLong, 1, bytes_of_32(position_at));
        if (p.thumbnail) first.replace(330, TiffDirectory::kLong, 1, bytes_of_32(mosaic_at));
        const TiffDirectory photo = exif_photo_directory(p.exif);
        const TiffDirectory mosaic = mosaic_directory(p, data_at, false);
        photo_at = first_at + first.size();
        position_at = photo_at + photo.size();
        mosaic_at = position_at + (placed ? position.size() : 0);
        small_at = mosaic_at + (p.thumbnail ? mosaic.size() : 0);
        data_at = small_at + (p.thumbnail ? kThumbnailWidth * kThumbnailHeight * 3 : 0);
        file = {'I', 'I', 42, 0, 8, 0, 0, 0};
        const auto append = [&file](const std::vector<uint8_t>& part) {
            file.insert(file.end(), part.begin(), part.end());
        };
        append(first.bytes(first_at));
        append(photo.bytes(photo_at));
        if (placed) append(position.bytes(position_at));
        if (p.thumbnail) {
            append(mosaic.bytes(mosaic_at));
            append(std::vector<uint8_t>(kThumbnailWidth * kThumbnailHeight * 3, 128));
        }
        if (round == 1) append(mosaic_bytes(p));
    }
    return file;
}

}  // namespace broadloom::test
