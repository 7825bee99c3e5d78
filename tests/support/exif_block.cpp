#include "support/exif_block.hpp"

namespace broadloom::test {

TiffDirectory exif_photo_directory(const ExifData& d) {
    TiffDirectory photo;  // tags in rising order, as the standard wants them
    photo.ratio(0x829a, d.exposure_num, d.exposure_den);
    photo.ratio(0x829d, d.aperture_tenths, 10);
    photo.number(0x8822, 1);  // manual exposure
    photo.number(0x8827, d.iso);
    photo.raw(0x9000, "0230");
    photo.text(0x9003, d.date_time);
    photo.text(0x9004, d.date_time);
    if (d.exposure_bias) photo.ratios(0x9204, {*d.exposure_bias}, TiffDirectory::kSignedRational);
    if (d.subject_distance) photo.ratios(0x9206, {*d.subject_distance});
    photo.number(0x9209, d.flash);
    photo.ratio(0x920a, d.focal_hundredths_mm, 100);
    if (!d.maker_note.empty()) photo.raw(0x927c, d.maker_note);
    if (!d.sub_second.empty()) photo.text(0x9291, d.sub_second);
    photo.number(0xa001, d.adobe_rgb ? 0xffff : 1);  // uncalibrated, sRGB
    photo.long_number(0xa002, d.width);
    photo.long_number(0xa003, d.height);
    if (d.focal_plane_x) photo.ratios(0xa20e, {*d.focal_plane_x});
    if (d.focal_plane_y) photo.ratios(0xa20f, {*d.focal_plane_y});
    if (d.focal_plane_unit) photo.number(0xa210, *d.focal_plane_unit);
    photo.number(0xa402, d.exposure_mode);
    photo.number(0xa403, d.white_balance);
    photo.number(0xa405, d.focal_35mm);
    if (!d.serial.empty()) photo.text(0xa431, d.serial);
    if (!d.lens.empty()) photo.text(0xa434, d.lens);
    for (const ExifEntry& e : d.entries) {
        if (!e.main) photo.replace(e.tag, e.type, e.count, e.bytes);
    }
    return photo;
}

TiffDirectory exif_main_directory(const ExifData& d) {
    TiffDirectory main;
    main.text(0x010f, d.make);
    main.text(0x0110, d.model);
    main.number(0x0112, d.orientation);
    main.ratio(0x011a, 300, 1);
    main.ratio(0x011b, 300, 1);
    main.number(0x0128, 2);
    main.text(0x0132, d.date_time);
    for (const ExifEntry& e : d.entries) {
        if (e.main) main.replace(e.tag, e.type, e.count, e.bytes);
    }
    return main;
}

std::vector<uint8_t> exif_block(const ExifData& d) {
    const auto pointer = [](TiffDirectory directory, uint16_t tag, uint32_t to) {
        std::vector<uint8_t> bytes;
        put32(bytes, to);
        directory.replace(tag, TiffDirectory::kLong, 1, bytes);
        return directory;
    };
    TiffDirectory main = exif_main_directory(d);
    if (!d.position.empty()) main = pointer(main, 0x8825, 0);  // as large as with the right place
    TiffDirectory photo = exif_photo_directory(d);
    const uint32_t photo_at = 8 + pointer(main, 0x8769, 0).size();
    TiffDirectory interoperability;
    uint32_t interoperability_at = 0;
    if (d.adobe_rgb) {
        interoperability.text(1, "R03");
        interoperability_at = photo_at + pointer(photo, 0xa005, 0).size();
        photo = pointer(photo, 0xa005, interoperability_at);
    }
    TiffDirectory position;
    for (const ExifEntry& e : d.position) position.add(e.tag, e.type, e.count, e.bytes);
    std::vector<uint8_t> tiff{'I', 'I', 42, 0, 8, 0, 0, 0};
    const auto append = [&tiff](const std::vector<uint8_t>& part) {
        for (const uint8_t byte : part) tiff.push_back(byte);
    };
    const uint32_t position_at =
        d.adobe_rgb ? interoperability_at + interoperability.size() : photo_at + photo.size();
    if (!d.position.empty()) main = pointer(main, 0x8825, position_at);
    append(pointer(main, 0x8769, photo_at).bytes(8));
    append(photo.bytes(photo_at));
    if (d.adobe_rgb) append(interoperability.bytes(interoperability_at));
    if (!d.position.empty()) append(position.bytes(position_at));
    return tiff;
}

std::vector<uint8_t> exif_segment(const ExifData& d) {
    const std::vector<uint8_t> tiff = exif_block(d);
    const auto length = static_cast<uint32_t>(tiff.size()) + 8;
    std::vector<uint8_t> out{0xff, 0xe1};
    out.reserve(length + 2);
    for (const uint32_t byte : {length >> 8U, length & 0xffU}) {
        out.push_back(static_cast<uint8_t>(byte));
    }
    for (const char c : {'E', 'x', 'i', 'f', '\0', '\0'}) out.push_back(static_cast<uint8_t>(c));
    for (const uint8_t byte : tiff) out.push_back(byte);
    return out;
}

}  // namespace broadloom::test
