/// What a photograph's tags say, from JPEG, PNG and TIFF files.
#include "io/photo_tags.hpp"

#include <catch2/catch.hpp>
#include <map>
#include <regex>

#include "broadloom/error.hpp"
#include "io/frame_reader.hpp"
#include "support/close_to.hpp"
#include "support/exif_block.hpp"
#include "support/frame_files.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom {
namespace {

using test::Bytes;
using test::ExifData;
using test::ExifEntry;
using test::Folder;
using test::TiffDirectory;
using testing::close_to;

enum class Container { jpeg, png, tiff };
constexpr Container kContainers[] = {Container::jpeg, Container::png, Container::tiff};

void put_big(Bytes& b, size_t value) {
    for (int i = 3; i >= 0; --i) b.push_back(static_cast<uint8_t>(value >> 8 * i));
}

void append(Bytes& b, const std::string& text) { b.insert(b.end(), text.begin(), text.end()); }

/// A picture of 20x10 with a block of camera data as segment or chunk.
Bytes with_block(Container container, const Bytes& block) {
    if (container == Container::jpeg) {
        test::JpegOptions options;
        Bytes segment;
        append(segment, std::string("Exif\0\0", 6));
        segment.insert(segment.end(), block.begin(), block.end());
        options.segments = {{0xE2, Bytes(300, 7)}, {0xE1, Bytes(40, 'x')}, {0xE1, segment}};
        return test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), options);
    }
    // PNG: the chunk after IHDR; readers of tags need no right check sum.
    start_frame_library();
    const Folder folder;
    test::save_vips(test::to_vips(test::wavy<uint8_t>(20, 10, 3), VIPS_INTERPRETATION_sRGB),
                    (folder / "x.png").string());
    const Bytes png = test::read_bytes(folder / "x.png");
    Bytes out(png.begin(), png.begin() + 33);
    put_big(out, block.size());
    append(out, "eXIf");
    out.insert(out.end(), block.begin(), block.end());
    put_big(out, 0);
    out.insert(out.end(), png.begin() + 33, png.end());
    return out;
}

/// A TIFF's first directory holds the picture as well: one grey pixel, the file's first byte.
Bytes file_with(Container container, ExifData data) {
    if (container != Container::tiff) return with_block(container, test::exif_block(data));
    for (const auto& [tag, value] : std::map<uint16_t, uint8_t>{{256, 1},
                                                                {257, 1},
                                                                {258, 8},
                                                                {259, 1},
                                                                {262, 1},
                                                                {273, 0},
                                                                {277, 1},
                                                                {278, 1},
                                                                {279, 1}}) {
        data.entries.push_back({tag, TiffDirectory::kLong, 1, {value, 0, 0, 0}, true});
    }
    return test::exif_block(data);
}

PhotoTags tags_of(const Bytes& bytes) {
    const Folder folder;
    test::write_bytes(folder / "x", bytes);
    return read_photo_tags(folder / "x", "x");
}

PhotoTags tags_of(Container container, const ExifData& data) {
    return tags_of(file_with(container, data));
}

ExifData sample() {
    ExifData d;
    d.make = "Harrow";
    d.model = "H-24";
    d.date_time = "2031:05:14 10:20:30";
    d.exposure_den = 125;
    d.width = 6000;
    d.height = 4000;
    return d;
}

ExifEntry short_entry(uint16_t tag, uint16_t value) {
    Bytes bytes;
    test::put16(bytes, value);
    return {tag, TiffDirectory::kShort, 1, bytes};
}

ExifEntry ratio_entry(uint16_t tag, uint32_t num, uint32_t den) {
    Bytes bytes;
    test::put32(bytes, num);
    test::put32(bytes, den);
    return {tag, TiffDirectory::kRational, 1, bytes};
}

ExifEntry text_entry(uint16_t tag, const std::string& text, bool main = false) {
    Bytes bytes(text.begin(), text.end());
    bytes.push_back(0);
    return {tag, TiffDirectory::kAscii, static_cast<uint32_t>(bytes.size()), bytes, main};
}

}  // namespace

TEST_CASE("JPEG, PNG and TIFF files give what the camera wrote", "[photo_tags]") {
    ExifData d = sample();
    d.sub_second = "25";
    d.orientation = 6;
    d.flash = 0x19;
    d.exposure_mode = 0;
    d.white_balance = 0;
    d.exposure_bias = {{static_cast<uint32_t>(-2), 3}};
    d.subject_distance = {{125, 10}};
    d.focal_plane_x = {{1000, 4}};
    d.focal_plane_y = {{500, 2}};
    d.focal_plane_unit = 4;
    d.serial = "0042-17";
    d.lens = "Harrow 50 mm f/2";
    for (const Container container : kContainers) {
        CAPTURE(static_cast<int>(container));
        const PhotoTags t = tags_of(container, d);
        CHECK(t.make == "Harrow");
        CHECK(t.model == "H-24");
        CHECK(t.serial == "0042-17");
        CHECK(t.lens == "Harrow 50 mm f/2");
        // TIFF keeps ratios in single precision.
        CHECK(t.exposure_s.value() == close_to(1 / 125.0).epsilon(1e-7));
        CHECK(t.f_number.value() == close_to(8));
        CHECK(t.iso.value() == close_to(100));
        CHECK(t.focal_mm.value() == close_to(50));
        CHECK(t.focal_35mm.value() == close_to(50));
        CHECK(t.exposure_bias_ev.value() == close_to(-2 / 3.0).epsilon(1e-7));
        CHECK(t.focus_distance_m.value() == close_to(12.5));
        CHECK(t.auto_white_balance == true);
        CHECK(t.auto_exposure == true);
        CHECK(t.auto_bracket == false);
        CHECK(t.flash_fired == true);
        CHECK(t.orientation == 6);
        CHECK(t.focal_plane_x_per_mm.value() == close_to(250));
        CHECK(t.focal_plane_y_per_mm.value() == close_to(250));
        CHECK(t.exif_width == 6000);
        CHECK(t.exif_height == 4000);
        CHECK(t.time_s.value() == close_to(1936520430.25));  // GNU date -u -d "2031-05-14 10:20:30"
        CHECK(t.time_text == "2031:05:14 10:20:30.25");
        CHECK_FALSE(t.adobe_rgb);
        CHECK_FALSE(t.manual_focus);

        // The other way round, so that no value is a constant of the reader.
        ExifData other = sample();
        other.white_balance = 1;
        other.exposure_mode = 2;
        other.flash = 0x18;
        const PhotoTags u = tags_of(container, other);
        CHECK(u.auto_white_balance == false);
        CHECK(u.auto_bracket == true);
        CHECK_FALSE(u.auto_exposure);
        CHECK(u.flash_fired == false);
        CHECK(u.orientation == 1);
        CHECK(u.time_s.value() == close_to(1936520430));
        CHECK_FALSE(u.exposure_bias_ev);
        CHECK_FALSE(u.focus_distance_m);
        CHECK_FALSE(u.focal_plane_x_per_mm);
        CHECK(u.serial.empty());
        CHECK(u.lens.empty());
    }
    CHECK_FALSE(tags_of(test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), {})).time_s);
}

TEST_CASE("values of zero, nothing and nonsense are absent", "[photo_tags]") {
    for (const Container container : kContainers) {
        CAPTURE(static_cast<int>(container));
        ExifData d = sample();
        d.exposure_num = 0;
        d.aperture_tenths = 0;
        d.iso = 0;
        d.focal_hundredths_mm = 0;
        d.focal_35mm = 0;
        d.orientation = 9;
        d.width = d.height = 0;
        d.white_balance = 7;
        d.exposure_mode = 9;
        d.subject_distance = {{0, 1}};
        d.focal_plane_x = {{0, 0}};
        d.focal_plane_y = {{7, 0}};
        d.exposure_bias = {{1, 0}};
        d.date_time = "0000:00:00 00:00:00";
        PhotoTags t = tags_of(container, d);
        CHECK_FALSE(t.exposure_s);
        CHECK_FALSE(t.f_number);
        CHECK_FALSE(t.iso);
        CHECK_FALSE(t.focal_mm);
        CHECK_FALSE(t.focal_35mm);
        CHECK_FALSE(t.orientation);
        CHECK_FALSE(t.exif_width);
        CHECK_FALSE(t.exif_height);
        CHECK_FALSE(t.auto_white_balance);
        CHECK_FALSE(t.auto_exposure);
        CHECK_FALSE(t.auto_bracket);
        CHECK_FALSE(t.focus_distance_m);
        CHECK_FALSE(t.focal_plane_x_per_mm);
        CHECK_FALSE(t.focal_plane_y_per_mm);
        if (container != Container::tiff) CHECK_FALSE(t.exposure_bias_ev);  // libtiff: 1/0 is 0
        CHECK_FALSE(t.time_s);
        CHECK(t.time_text.empty());
        CHECK(t.make == "Harrow");  // what is sound stays

        d = sample();
        d.exposure_den = 0;  // 1/0
        d.orientation = 0;
        d.subject_distance = {{0xFFFFFFFF, 1}};  // Exif 2.3: infinity
        d.entries = {ratio_entry(0x920A, 0, 0)};
        t = tags_of(container, d);
        CHECK_FALSE(t.exposure_s);
        CHECK_FALSE(t.orientation);
        CHECK_FALSE(t.focus_distance_m);
        CHECK_FALSE(t.focal_mm);

        // A value of another type than the standard's never becomes a wrong number.
        d = sample();
        d.entries = {text_entry(0x829A, "fast"), text_entry(0x8827, "many")};
        t = tags_of(container, d);
        CHECK_FALSE(t.exposure_s);
        CHECK_FALSE(t.iso);
    }
}

TEST_CASE("an ISO of 65535 is told in full by the later tag", "[photo_tags]") {
    for (const Container container : kContainers) {
        ExifData d = sample();
        d.iso = 65535;
        CHECK(tags_of(container, d).iso.value() == close_to(65535));
        Bytes value;
        test::put32(value, 102400);
        d.entries = {{0x8832, TiffDirectory::kLong, 1, value}};
        CHECK(tags_of(container, d).iso.value() == close_to(102400));
        d.iso = 200;
        CHECK(tags_of(container, d).iso.value() == close_to(200));
    }
}

TEST_CASE("the sensor's pixels a millimetre honour the unit", "[photo_tags]") {
    struct Case {
        std::optional<uint16_t> unit;
        uint32_t number;
        std::optional<double> per_mm;
    };
    for (const Container container : kContainers) {
        for (const Case& c : {Case{{}, 6350, 250},      // absent: inches (Exif 2.3)
                              Case{{2}, 6350, 250},     // 25.4 mm
                              Case{{3}, 2500, 250},     // centimetres
                              Case{{4}, 250, 250},      // millimetres (common practice)
                              Case{{1}, 6350, {}},      // no unit
                              Case{{9}, 6350, {}},      // nonsense
                              Case{{4}, 60000, {}}}) {  // pixels of 17 nm
            ExifData d = sample();
            d.focal_plane_x = {{c.number, 1}};
            d.focal_plane_unit = c.unit;
            const PhotoTags t = tags_of(container, d);
            CAPTURE(static_cast<int>(container), c.unit.value_or(0), c.number);
            REQUIRE(t.focal_plane_x_per_mm.has_value() == c.per_mm.has_value());
            if (c.per_mm) CHECK(*t.focal_plane_x_per_mm == close_to(*c.per_mm));
        }
        ExifData d = sample();
        d.focal_plane_x = {{1, 4}};  // a quarter of a pixel a micrometre
        d.focal_plane_unit = 5;
        CHECK(tags_of(container, d).focal_plane_x_per_mm.value() == close_to(250));
    }
}

TEST_CASE("the capture time is the original one, then the digitised, then the file's",
          "[photo_tags]") {
    for (const Container container : kContainers) {
        ExifData d = sample();
        d.sub_second = "5";
        d.entries = {text_entry(0x9004, "2032:01:01 00:00:00"),
                     text_entry(0x0132, "2033:01:01 00:00:00", true), text_entry(0x9290, "7"),
                     text_entry(0x9292, "6")};
        CHECK(tags_of(container, d).time_text == "2031:05:14 10:20:30.5");
        d.entries.push_back(text_entry(0x9003, "    :  :     :  :  "));
        CHECK(tags_of(container, d).time_text == "2032:01:01 00:00:00.6");
        d.entries.push_back(text_entry(0x9004, "2032:13:01 00:00:00"));
        CHECK(tags_of(container, d).time_text == "2033:01:01 00:00:00.7");
        d.entries.push_back(text_entry(0x0132, "yesterday", true));
        CHECK_FALSE(tags_of(container, d).time_s);
    }
}

TEST_CASE("capture times are seconds since 1970 or nothing", "[photo_tags]") {
    // Check values: GNU coreutils 9.1, date -u +%s.
    CHECK(capture_seconds("2031:05:14 10:20:30", "").value() == 1936520430);
    CHECK(capture_seconds("2028:02:29 00:00:00", "").value() == 1835395200);
    CHECK(capture_seconds("1969:12:31 23:59:59", "").value() == -1);
    CHECK(capture_seconds("1970:01:01 00:00:00", "").value() == 0);
    CHECK(capture_seconds("2031-05-14T10:20:30", "").value() == 1936520430);
    CHECK(capture_seconds("2031:05:14 10:20:30Z", "").value() == 1936520430);
    CHECK(capture_seconds("1970:01:01 00:00:00", "25").value() == close_to(0.25));
    CHECK(capture_seconds("1970:01:01 00:00:00", "025").value() == close_to(0.025));
    CHECK(capture_seconds("1970:01:01 00:00:00", "5  ").value() == close_to(0.5));
    CHECK(capture_seconds("1970:01:01 00:00:00", "x5").value() == 0);
    CHECK(capture_seconds("1970:01:01 00:00:00", std::string(500, '9')).value() <= 1);
    for (const std::string bad :
         {"", "2031", "2031:13:14 10:20:30", "2031:00:14 10:20:30", "2031:05:32 10:20:30",
          "2031:02:29 10:20:30", "2031:05:14 24:20:30", "2031:05:14 10:60:30",
          "2031:05:14 10:20:60", "0000:00:00 00:00:00", "0000:01:01 00:00:00",
          "2031:05:14 10-20-30", "2031.05.14 10:20:30", "yesterday, at half past",
          "2031:05:14 10:20:305", "2O31:05:14 10:20:30"}) {
        CAPTURE(bad);
        CHECK_FALSE(capture_seconds(bad, "").has_value());
    }
}

TEST_CASE("texts are trimmed and limited, and may hold any bytes", "[photo_tags]") {
    for (const Container container : kContainers) {
        ExifData d = sample();
        d.make = "  Harrow\n \t";
        d.model = "H\xFF\x1B[31m";
        d.lens = std::string(5000, 'x');
        const PhotoTags t = tags_of(container, d);
        CHECK(t.make == "Harrow");
        CHECK(t.model == "H\xFF\x1B[31m");
        CHECK(t.lens == std::string(200, 'x'));
    }
}

TEST_CASE("pictures marked Adobe RGB are told apart, with and without a profile", "[photo_tags]") {
    start_frame_library();
    const Folder folder;
    for (const Container container : kContainers) {
        CAPTURE(static_cast<int>(container));
        ExifData d = sample();
        d.adobe_rgb = true;
        const Bytes marked = file_with(container, d);
        CHECK(tags_of(marked).adobe_rgb);
        test::write_bytes(folder / "x", marked);
        if (container != Container::png) {  // ours has no check sum for the decoder
            CHECK(probe_frame(folder / "x", "x").profile == "Adobe RGB (1998)");
        }
        // "Uncalibrated" alone may be any space, and R03 beside sRGB is a contradiction (DCF 2.0).
        ExifData half = sample();
        half.entries = {short_entry(0xA001, 0xFFFF)};
        CHECK_FALSE(tags_of(container, half).adobe_rgb);
        d.entries = {short_entry(0xA001, 1)};
        CHECK_FALSE(tags_of(container, d).adobe_rgb);
        test::write_bytes(folder / "x", file_with(container, sample()));
        if (container != Container::png) CHECK(probe_frame(folder / "x", "x").profile.empty());
    }
    // An embedded profile has the last word: sRGB here, by libvips' own.
    ExifData d = sample();
    d.adobe_rgb = true;
    test::write_bytes(folder / "a.jpg", file_with(Container::jpeg, d));
    VipsImage* image = vips_image_new_from_file((folder / "a.jpg").c_str(), nullptr);
    REQUIRE(image != nullptr);
    test::save_vips(image, (folder / "b.jpg[profile=srgb]").string());
    CHECK(read_photo_tags(folder / "b.jpg", "b").adobe_rgb);
    CHECK(probe_frame(folder / "b.jpg", "b").profile.empty());
}

TEST_CASE("the maker's note tells manual focus where the library reads it", "[photo_tags]") {
    // The layout that libexif's own Nikon reader expects (its third version): a mark, a version,
    // then a TIFF structure; tag 7 is the focus mode.
    const auto note = [](const std::string& mode) {
        std::string text("Nikon\0\x02\x10\0\0", 10);
        TiffDirectory d;
        d.text(7, mode);
        Bytes tiff{'I', 'I', 42, 0, 8, 0, 0, 0};
        for (const uint8_t byte : d.bytes(8)) tiff.push_back(byte);
        return text + std::string(tiff.begin(), tiff.end());
    };
    ExifData d = sample();
    for (const Container container : {Container::jpeg, Container::png}) {
        d.maker_note = note("MF    ");
        CHECK(tags_of(container, d).manual_focus == true);
        d.maker_note = note("AF-S  ");
        CHECK(tags_of(container, d).manual_focus == false);
        d.maker_note = note("???   ");
        CHECK_FALSE(tags_of(container, d).manual_focus.has_value());
        d.maker_note = "private";
        CHECK_FALSE(tags_of(container, d).manual_focus.has_value());
    }
}

TEST_CASE("files that are no pictures, or missing, are told apart", "[photo_tags]") {
    CHECK_FALSE(tags_of(Bytes(1000, 'x')).time_s);
    CHECK_FALSE(tags_of(Bytes{}).time_s);
    const Folder folder;
    try {
        read_photo_tags(folder / "none", "a\nb");
        FAIL("a missing file was read");
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::input);
        CHECK(std::string(e.what()).rfind("a\\x0Ab: ", 0) == 0);
    }
}

TEST_CASE("cut and damaged files never make reading fail", "[photo_tags]") {
    ExifData d = sample();
    d.sub_second = "25";
    d.lens = "Harrow 50 mm f/2";
    d.adobe_rgb = true;
    uint32_t state = 42;
    int intact = 0, changed = 0;
    const Folder folder;
    for (const Container container : kContainers) {
        const Bytes good = file_with(container, d);
        const size_t block_end = std::min<size_t>(good.size(), 1100);
        const PhotoTags right = tags_of(good);
        for (int round = 0; round < 1500; ++round) {
            Bytes bad = good;
            if (round % 3 == 0) {
                bad.resize(static_cast<size_t>(round) * block_end / 1500);
            } else {
                for (int k = 0; k < 1 + round % 4; ++k) {
                    state = state * 1664525U + 1013904223U;
                    bad[(state >> 8) % block_end] = static_cast<uint8_t>(state);
                }
            }
            test::write_bytes(folder / "x", bad);
            const PhotoTags t = read_photo_tags(folder / "x", "x");
            ++(t.time_s == right.time_s && t.lens == right.lens ? intact : changed);
            REQUIRE((!t.exposure_s || (*t.exposure_s > 0 && std::isfinite(*t.exposure_s))));
            REQUIRE((!t.orientation || (*t.orientation >= 1 && *t.orientation <= 8)));
            REQUIRE((!t.exif_width || *t.exif_width > 0));
            REQUIRE(t.make.size() <= 200);
        }
    }
    CHECK(intact > 100);
    CHECK(changed > 100);
}

TEST_CASE("libvips reads the same numbers", "[photo_tags]") {
    start_frame_library();
    ExifData d = sample();
    d.sub_second = "25";
    const Folder folder;
    test::write_bytes(folder / "x.jpg", file_with(Container::jpeg, d));
    VipsImage* image = vips_image_new_from_file((folder / "x.jpg").c_str(), nullptr);
    REQUIRE(image != nullptr);
    const auto said = [&](const char* name) {
        const char* text = nullptr;
        return vips_image_get_string(image, name, &text) == 0 ? std::string(text) : std::string();
    };
    CHECK(said("exif-ifd2-ExposureTime").rfind("1/125 ", 0) == 0);
    CHECK(said("exif-ifd2-SubSecTimeOriginal").rfind("25 ", 0) == 0);
    CHECK(said("exif-ifd2-DateTimeOriginal").rfind("2031:05:14 10:20:30 ", 0) == 0);
    CHECK(said("exif-ifd2-FocalLengthIn35mmFilm").rfind("50 ", 0) == 0);
    CHECK(said("exif-ifd0-Make").rfind("Harrow ", 0) == 0);
    g_object_unref(image);
}

namespace {

/// The table of values that the Go library goexif was tested with: file, tag, text.
using Table = std::map<std::string, std::map<std::string, std::string>>;

Table read_table(const std::filesystem::path& path) {
    std::ifstream in(path);
    const std::regex file_line("^\t\"(.*)\": map.*"), tag_line("^\t\t(\\w+): +`(.*)`,");
    Table table;
    std::string line, file;
    std::smatch m;
    while (std::getline(in, line)) {
        if (std::regex_match(line, m, file_line)) file = m[1];
        if (std::regex_match(line, m, tag_line)) {
            std::string value = m[2];
            std::erase(value, '"');
            table[file][m[1]] = value;
        }
    }
    return table;
}

/// "320/100" or "150"; absent when it is nothing or no number above zero.
std::optional<double> table_number(const std::map<std::string, std::string>& tags,
                                   const std::string& tag) {
    const auto found = tags.find(tag);
    if (found == tags.end()) return std::nullopt;
    double num = 0, den = 1;
    if (std::sscanf(found->second.c_str(), "%lf/%lf", &num, &den) < 1) return std::nullopt;
    return den != 0 && num > 0 ? std::optional(num / den) : std::nullopt;
}

}  // namespace

TEST_CASE("odd files of real cameras: no crash, and the values of another library",
          "[photo_tags][corpus]") {
    const std::filesystem::path folder = "/usr/share/gocode/src/github.com/rwcarlsen/goexif/exif";
    if (!std::filesystem::exists(folder)) {
        WARN("skipped: the package golang-github-rwcarlsen-goexif-dev is not installed");
        return;
    }
    int files = 0, with_time = 0;
    std::vector<std::filesystem::path> found;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(folder.parent_path())) {
        if (entry.is_regular_file()) found.push_back(entry.path());
    }
    for (const auto& path : found) {
        CAPTURE(path.string());
        PhotoTags t;
        REQUIRE_NOTHROW(t = read_photo_tags(path, path.filename().string()));
        ++files;
        with_time += t.time_s ? 1 : 0;
    }
    CHECK(files > 50);
    CHECK(with_time > 40);

    const Table table = read_table(folder / "regress_expected_test.go");
    int compared = 0;
    for (const auto& [name, tags] : table) {
        const auto path = folder / "samples" / name;
        if (!std::filesystem::exists(path)) continue;
        const PhotoTags t = read_photo_tags(path, name);
        CAPTURE(name);
        const auto same = [&](const std::string& tag, const std::optional<double>& value) {
            CAPTURE(tag, value.value_or(-1));
            const std::optional<double> other = table_number(tags, tag);
            REQUIRE(value.has_value() == other.has_value());
            if (value) CHECK(*value == close_to(*other).epsilon(1e-9));
            compared += value ? 1 : 0;
        };
        same("ExposureTime", t.exposure_s);
        same("FNumber", t.f_number);
        same("FocalLength", t.focal_mm);
        same("ISOSpeedRatings", t.iso);
        same("PixelXDimension",
             t.exif_width ? std::optional(static_cast<double>(*t.exif_width)) : std::nullopt);
        same("Orientation", t.orientation ? std::optional<double>(*t.orientation) : std::nullopt);
        const auto date = tags.find("DateTimeOriginal");
        if (date != tags.end() && capture_seconds(date->second, "")) {
            CHECK(t.time_text.substr(0, 19) == date->second.substr(0, 19));
            ++compared;
        }
    }
    CHECK(compared > 250);
}

namespace {

ExifEntry ratios_entry(uint16_t tag, const std::vector<std::pair<uint32_t, uint32_t>>& values) {
    Bytes bytes;
    for (const auto& [num, den] : values) {
        test::put32(bytes, num);
        test::put32(bytes, den);
    }
    return {tag, TiffDirectory::kRational, static_cast<uint32_t>(values.size()), bytes};
}

/// 46 degrees 30' 7.2" south, 7 degrees 40.5' west, 812.5 m above the sea.
std::vector<ExifEntry> sample_position() {
    return {text_entry(1, "S"),
            ratios_entry(2, {{46, 1}, {30, 1}, {72, 10}}),
            text_entry(3, "W"),
            ratios_entry(4, {{7, 1}, {405, 10}, {0, 1}}),
            {5, TiffDirectory::kByte, 1, {0}},
            ratios_entry(6, {{8125, 10}})};
}

}  // namespace

TEST_CASE("Author, rights and description are read from every kind of file", "[photo_tags]") {
    for (const Container container : kContainers) {
        ExifData d = sample();
        const std::string rights =
            "(c) Ada Thornfield" + std::string(1, '\0') + "Weir Press" + std::string(1, '\0');
        d.entries = {text_entry(0x010E, "The quarry above the weir ", true),
                     text_entry(0x013B, "Ada Thornfield; Tom Vale", true),
                     text_entry(0x8298, rights, true)};
        PhotoTags tags = tags_of(container, d);
        CHECK(tags.description == "The quarry above the weir");
        CHECK(tags.artist == "Ada Thornfield; Tom Vale");
        CHECK(tags.copyright == "(c) Ada Thornfield");  // the photographer's part
        CHECK(tags.time_taken);
        CHECK(!tags.position);
        // Longer than the names of cameras are let be, and cut all the same.
        d.entries = {text_entry(0x8298, std::string(3000, 'x'), true)};
        tags = tags_of(container, d);
        CHECK(tags.copyright == std::string(2000, 'x'));
        CHECK(tags.artist.empty());
        // The editor's part alone: the photographer's is one space (Exif 2.3, 4.6.4 D).
        d.entries = {text_entry(0x8298, " " + std::string(1, '\0') + "Weir Press", true)};
        CHECK(tags_of(container, d).copyright.empty());
    }
}

TEST_CASE("The time of writing is told from the time of taking", "[photo_tags]") {
    ExifData d = sample();
    CHECK(tags_of(Container::jpeg, d).time_taken);
    d.entries = {text_entry(0x9003, "0000:00:00 00:00:00"), text_entry(0x9004, "")};
    const PhotoTags tags = tags_of(Container::jpeg, d);
    CHECK(tags.time_s);
    CHECK(!tags.time_taken);
}

TEST_CASE("Positions are read from every kind of file, nonsense is not", "[photo_tags]") {
    for (const Container container : kContainers) {
        ExifData d = sample();
        d.position = sample_position();
        PhotoTags tags = tags_of(container, d);
        REQUIRE(tags.position);
        CHECK(tags.position->latitude_deg == close_to(-46.502).margin(1e-9));
        CHECK(tags.position->longitude_deg == close_to(-7.675).margin(1e-9));
        CHECK(tags.position->altitude_m.value_or(0) == close_to(812.5).margin(1e-9));
        CHECK(tags.make == "Harrow");
        CHECK(tags.time_taken);

        d.position[0] = text_entry(1, "N");
        d.position[4].bytes = {1};  // below the sea
        tags = tags_of(container, d);
        REQUIRE(tags.position);
        CHECK(tags.position->latitude_deg == close_to(46.502).margin(1e-9));
        CHECK(tags.position->altitude_m.value_or(0) == close_to(-812.5).margin(1e-9));

        for (const std::pair<size_t, ExifEntry>& spoilt :
             {std::pair(size_t{0}, text_entry(1, "X")),
              std::pair(size_t{1}, ratios_entry(2, {{91, 1}, {0, 1}, {0, 1}})),
              std::pair(size_t{3}, ratios_entry(4, {{181, 1}, {0, 1}, {0, 1}}))}) {
            ExifData bad = d;
            bad.position[spoilt.first] = spoilt.second;
            CHECK(!tags_of(container, bad).position);
        }
        if (container != Container::tiff) {  // libtiff reads a ratio of nothing as 0
            ExifData bad = d;
            bad.position[1] = ratios_entry(2, {{46, 1}, {30, 0}, {0, 1}});
            CHECK(!tags_of(container, bad).position);
        }
        d.position[1] = ratios_entry(2, {{0, 1}, {0, 1}, {0, 1}});
        d.position[3] = ratios_entry(4, {{0, 1}, {0, 1}, {0, 1}});
        CHECK(!tags_of(container, d).position);  // a receiver without a fix
    }
}

}  // namespace broadloom
