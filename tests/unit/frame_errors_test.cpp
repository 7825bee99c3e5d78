#include <sys/stat.h>

#include <catch2/catch.hpp>
#include <cctype>

#include "broadloom/error.hpp"
#include "io/frame_detail.hpp"
#include "io/frame_reader.hpp"
#include "support/frame_files.hpp"

namespace broadloom {
namespace {

using test::Bytes;
using test::Folder;
using test::JpegOptions;

/// The error of reading a whole frame; code 0 when there is none. It must be one line that begins
/// with the name.
struct Outcome {
    int code = 0;
    std::string message;
};

Outcome read(const std::filesystem::path& path, int denominator = 1) {
    try {
        const FrameInfo info = probe_frame(path, "frame.x");
        FramePixels pixels;
        decode_frame(path, "frame.x", info, denominator, pixels);
    } catch (const Error& e) {
        const std::string message = e.what();
        CHECK(message.rfind("frame.x: ", 0) == 0);
        CHECK(std::none_of(message.begin(), message.end(), [](char c) {
            return std::iscntrl(static_cast<unsigned char>(c)) != 0;
        }));
        return {static_cast<int>(e.code()), message};
    }
    return {};
}

constexpr int kInput = static_cast<int>(ErrorCode::input);

bool mentions(const Outcome& o, const std::string& text) {
    return o.message.find(text) != std::string::npos;
}

void put(Bytes& b, unsigned value, int bytes) {
    for (int i = 0; i < bytes; ++i) b.push_back(static_cast<uint8_t>(value >> 8 * i));
}

struct Tag {
    unsigned tag, type, count, value;
};

/// A little-endian TIFF with one directory and some bytes of picture after it.
Bytes small_tiff(const std::vector<Tag>& tags) {
    Bytes b{'I', 'I', 42, 0, 8, 0, 0, 0};
    put(b, static_cast<unsigned>(tags.size()), 2);
    for (const Tag& t : tags) {
        put(b, t.tag, 2);
        put(b, t.type, 2);
        put(b, t.count, 4);
        put(b, t.value, 4);
    }
    put(b, 0, 4);
    b.insert(b.end(), 4096, 77);
    return b;
}

/// A grey picture of 16x16.
std::vector<Tag> grey_tags() {
    return {{256, 4, 1, 16},  {257, 4, 1, 16}, {258, 3, 1, 8},  {259, 3, 1, 1},  {262, 3, 1, 1},
            {273, 4, 1, 512}, {277, 3, 1, 1},  {278, 4, 1, 16}, {279, 4, 1, 256}};
}

std::vector<Tag> with(std::vector<Tag> tags, const std::vector<Tag>& more) {
    for (const Tag& m : more) {
        std::erase_if(tags, [&](const Tag& t) { return t.tag == m.tag; });
        tags.push_back(m);
    }
    std::sort(tags.begin(), tags.end(), [](const Tag& a, const Tag& b) { return a.tag < b.tag; });
    return tags;
}

}  // namespace

TEST_CASE("what is no picture is refused with a reason", "[frame_reader][errors]") {
    const Folder folder;
    const auto path = folder / "x";
    CHECK(read(folder / "missing").code == kInput);
    CHECK(mentions(read(folder / "missing"), "no such file"));
    test::write_bytes(path, {});
    CHECK(mentions(read(path), "empty"));
    test::write_bytes(path, {'h', 'e', 'l', 'l', 'o', '\n'});
    CHECK(read(path).code == kInput);
    CHECK(mentions(read(path), "not a JPEG"));
    test::write_bytes(path, Bytes(100000, 0));
    CHECK(read(path).code == kInput);
    std::filesystem::create_directory(folder / "sub");
    CHECK(mentions(read(folder / "sub"), "folder"));
    CHECK(read(path / "below").code == kInput);
    // A pipe must not hold the reader up.
    REQUIRE(mkfifo((folder / "pipe").c_str(), 0600) == 0);
    CHECK(mentions(read(folder / "pipe"), "regular file"));
}

TEST_CASE("a file without permission is the machine's refusal", "[frame_reader][errors]") {
    const Folder folder;
    const auto path = folder / "x.jpg";
    test::write_bytes(path, test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), {}));
    std::filesystem::permissions(path, std::filesystem::perms::none);
    if (access(path.c_str(), R_OK) == 0) {
        WARN("skipped: this user may read any file");
        return;
    }
    CHECK(read(path).code == static_cast<int>(ErrorCode::machine));
}

TEST_CASE("names with control characters stay on one line", "[frame_reader][errors]") {
    const Folder folder;
    try {
        probe_frame(folder / "missing", "a\nb\x1B[31m");
        FAIL("a missing file was accepted");
    } catch (const Error& e) {
        CHECK(std::string(e.what()).find('\n') == std::string::npos);
        CHECK(std::string(e.what()).find('\x1B') == std::string::npos);
        CHECK(std::string(e.what()).rfind("a\\x0", 0) == 0);
    }
}

TEST_CASE("CMYK, floating-point, 32-bit and Lab pictures are refused with advice",
          "[frame_reader][errors]") {
    start_frame_library();
    const Folder folder;
    const auto path = folder / "x.jpg";
    for (const J_COLOR_SPACE space : {JCS_CMYK, JCS_YCCK}) {
        JpegOptions options;
        options.stored = space;
        test::write_bytes(path, test::write_jpeg(test::wavy<uint8_t>(20, 10, 4), options));
        CHECK(read(path).code == kInput);
        CHECK(mentions(read(path), "CMYK"));
        CHECK(mentions(read(path), "convert it to RGB"));
    }
    const auto tif = folder / "x.tif";
    test::save_vips(test::to_vips(test::wavy<uint8_t>(20, 10, 4), VIPS_INTERPRETATION_CMYK),
                    tif.string());
    CHECK(mentions(read(tif), "CMYK"));
    for (const VipsBandFormat format :
         {VIPS_FORMAT_FLOAT, VIPS_FORMAT_DOUBLE, VIPS_FORMAT_UINT, VIPS_FORMAT_SHORT}) {
        VipsImage* image = test::to_vips(test::wavy<uint8_t>(20, 10, 3), VIPS_INTERPRETATION_sRGB);
        VipsImage* cast = nullptr;
        REQUIRE(vips_cast(image, &cast, format, nullptr) == 0);
        g_object_unref(image);
        test::save_vips(cast, tif.string());
        CAPTURE(format);
        CHECK(read(tif).code == kInput);
        CHECK((mentions(read(tif), "16 bits") || mentions(read(tif), "16-bit")));
    }
    VipsImage* image = test::to_vips(test::wavy<uint8_t>(20, 10, 3), VIPS_INTERPRETATION_sRGB);
    VipsImage* lab = nullptr;
    REQUIRE(vips_colourspace(image, &lab, VIPS_INTERPRETATION_LAB, nullptr) == 0);
    g_object_unref(image);
    test::save_vips(lab, tif.string());
    CHECK(mentions(read(tif), "Lab"));
    // Negative control: the same picture in RGB is accepted.
    test::save_vips(test::to_vips(test::wavy<uint8_t>(20, 10, 3), VIPS_INTERPRETATION_sRGB),
                    tif.string());
    CHECK(read(tif).code == 0);
}

TEST_CASE("JPEG subsampling that cannot be kept as planes is refused", "[frame_reader][errors]") {
    const Folder folder;
    JpegOptions options;
    options.factors = {{1, 1}, {2, 2}, {1, 1}};
    test::write_bytes(folder / "x.jpg", test::write_jpeg(test::wavy<uint8_t>(40, 30, 3), options));
    CHECK(mentions(read(folder / "x.jpg"), "subsampling"));
    options.factors = {{2, 2}, {2, 1}, {1, 2}};
    test::write_bytes(folder / "x.jpg", test::write_jpeg(test::wavy<uint8_t>(40, 30, 3), options));
    CHECK(mentions(read(folder / "x.jpg"), "subsampling"));
}

TEST_CASE("truncated frames are refused wherever they end", "[frame_reader][errors]") {
    start_frame_library();
    const Folder folder;
    std::vector<Bytes> files;
    JpegOptions options;
    options.factors = {{2, 2}, {1, 1}, {1, 1}};
    const auto p = test::wavy<uint8_t>(161, 97, 3);
    files.push_back(test::write_jpeg(p, options));
    options.restart_rows = 1;
    files.push_back(test::write_jpeg(p, options));
    options.restart_rows = 0;
    options.progressive = true;
    files.push_back(test::write_jpeg(p, options));
    for (const std::string kind :
         {"a.png", "a.png[interlace]", "a.tif", "a.tif[compression=deflate]",
          "a.tif[compression=lzw,tile,tile-width=64,tile-height=64]"}) {
        test::save_vips(test::to_vips(test::wavy<uint16_t>(161, 97, 3), VIPS_INTERPRETATION_RGB16),
                        (folder / kind).string());
        files.push_back(test::read_bytes(folder / kind.substr(0, 5)));
    }
    const auto path = folder / "cut";
    for (size_t i = 0; i < files.size(); ++i) {
        test::write_bytes(path, files[i]);
        REQUIRE(read(path).code == 0);
        const bool jpeg = i < 3, png = i == 3 || i == 4;
        for (size_t step = 0; step < 120; ++step) {
            // Near both ends byte by byte, else evenly.
            size_t length = step < 40   ? step
                            : step < 80 ? files[i].size() * (step - 39) / 41
                                        : files[i].size() - (step - 79);
            // A PNG's pixels are complete before its last chunk, IEND (12 bytes), and the check
            // sums at the end of the compressed data (8 bytes); a TIFF written by libvips ends with
            // its directory.
            if (png && length + 20 > files[i].size()) continue;
            test::write_bytes(path, Bytes(files[i].begin(),
                                          files[i].begin() + static_cast<std::ptrdiff_t>(length)));
            CAPTURE(i, length, files[i].size(), jpeg);
            REQUIRE(read(path).code == kInput);
            if (jpeg) REQUIRE(read(path, 8).code == kInput);
        }
    }
}

TEST_CASE("damaged bytes never crash the reader", "[frame_reader][errors]") {
    start_frame_library();
    const Folder folder;
    std::vector<Bytes> files;
    JpegOptions options;
    options.factors = {{2, 2}, {1, 1}, {1, 1}};
    options.segments = {{0xE1, test::exif_orientation(6, false)}};
    files.push_back(test::write_jpeg(test::wavy<uint8_t>(61, 47, 3), options));
    for (const std::string kind : {"a.png", "a.tif[compression=deflate]"}) {
        test::save_vips(test::to_vips(test::wavy<uint8_t>(61, 47, 3), VIPS_INTERPRETATION_sRGB),
                        (folder / kind).string());
        files.push_back(test::read_bytes(folder / kind.substr(0, 5)));
    }
    uint32_t state = 4711;
    int refused = 0, accepted = 0;
    for (const Bytes& file : files) {
        for (int round = 0; round < 250; ++round) {
            Bytes bytes = file;
            for (int k = 0; k < 3; ++k) {
                state = state * 1664525U + 1013904223U;
                // Every other round aims at the header.
                const size_t range =
                    round % 2 == 0 ? std::min<size_t>(700, bytes.size()) : bytes.size();
                bytes[(state >> 8) % range] = static_cast<uint8_t>(state);
            }
            test::write_bytes(folder / "x", bytes);
            FrameInfo info;
            try {
                info = probe_frame(folder / "x", "frame.x");
            } catch (const Error&) {
                ++refused;
                continue;
            }
            // A header may now claim a huge picture; that is for the caller's budget to refuse.
            if (info.stored_width * info.stored_height > 4000000) continue;
            const Outcome o = read(folder / "x");
            CHECK((o.code == 0 || o.code == kInput));
            ++(o.code == 0 ? accepted : refused);
        }
    }
    CHECK(refused > 100);
    CHECK(accepted > 0);
}

TEST_CASE("a huge claim is believed at no cost and refused when it is read",
          "[frame_reader][errors]") {
    const Folder folder;
    auto bytes = test::write_jpeg(test::wavy<uint8_t>(64, 64, 1), {JCS_GRAYSCALE});
    for (size_t i = 0; i + 9 < bytes.size(); ++i) {
        if (bytes[i] == 0xFF && bytes[i + 1] == 0xC0) {
            bytes[i + 5] = bytes[i + 7] = 65000 >> 8;
            bytes[i + 6] = bytes[i + 8] = 65000 & 255;
            break;
        }
    }
    test::write_bytes(folder / "x.jpg", bytes);
    const FrameInfo info = probe_frame(folder / "x.jpg", "x");
    CHECK(info.stored_width == 65000);
    CHECK(read(folder / "x.jpg").code == kInput);
    for (size_t i = 0; i + 9 < bytes.size(); ++i) {
        if (bytes[i] == 0xFF && bytes[i + 1] == 0xC0) {
            bytes[i + 5] = bytes[i + 6] = 0xFF;
            break;
        }
    }
    test::write_bytes(folder / "x.jpg", bytes);
    CHECK(mentions(read(folder / "x.jpg"), "65500"));
}

TEST_CASE("a file that changes between probe and decode is refused", "[frame_reader][errors]") {
    const Folder folder;
    const auto path = folder / "x";
    JpegOptions options;
    const auto first = test::write_jpeg(test::wavy<uint8_t>(64, 48, 3), options);
    test::write_bytes(path, first);
    const FrameInfo info = probe_frame(path, "x");
    FramePixels pixels;
    decode_frame(path, "x", info, 1, pixels);  // unchanged: fine
    Bytes other = test::write_jpeg(test::wavy<uint8_t>(32, 24, 3), options);
    SECTION("another size in bytes") {}
    SECTION("the same size in bytes, another picture") { other.resize(first.size(), 0); }
    test::write_bytes(path, other);
    CHECK_THROWS_AS(decode_frame(path, "x", info, 1, pixels), Error);
    std::filesystem::remove(path);
    CHECK_THROWS_AS(decode_frame(path, "x", info, 1, pixels), Error);
}

TEST_CASE("camera raw files in TIFF's clothes are told apart", "[frame_reader][errors]") {
    const Folder folder;
    const auto path = folder / "x";
    const auto outcome = [&](const std::vector<Tag>& more) {
        test::write_bytes(path, small_tiff(with(grey_tags(), more)));
        return read(path);
    };
    CHECK(outcome({}).code == 0);
    CHECK(outcome({{271, 2, 4, 0x58}}).code == 0);  // a maker alone: a developed picture
    CHECK(outcome({{254, 4, 1, 1}}).code == 0);     // reduced, but nothing else in the file
    const std::vector<std::vector<Tag>> raw{
        {{50706, 1, 4, 0x0401}},           // DNGVersion
        {{254, 4, 1, 1}, {330, 4, 1, 8}},  // a preview first, the picture elsewhere
        {{254, 4, 1, 1}, {271, 2, 4, 0x58}},
        {{262, 3, 1, 32803}},  // colour filter array
    };
    for (const auto& tags : raw) {
        const Outcome o = outcome(tags);
        CHECK(o.code == kInput);
        CHECK(mentions(o,
                       "camera raw file: broadloom gather develops it, or develop it to 16-bit "
                       "TIFF first"));
    }
    for (const std::string magic : {"FUJIFILMCCD-RAW 0201", "IIRO\x08", "IIU"}) {
        Bytes bytes(200, 0);
        std::copy(magic.begin(), magic.end(), bytes.begin());
        test::write_bytes(path, bytes);
        CHECK(mentions(read(path), "camera raw"));
    }
}

namespace {

void put_big(Bytes& b, size_t value, int bytes) {
    for (int i = bytes - 1; i >= 0; --i) b.push_back(static_cast<uint8_t>(value >> 8 * i));
}

/// A profile of nothing but a description (ICC.1:2010, 7.2-7.3, 10.13; version 2's
/// textDescriptionType).
Bytes profile(const std::string& text, bool version4) {
    Bytes tag;
    if (version4) {
        for (const char c : {'m', 'l', 'u', 'c'}) tag.push_back(static_cast<uint8_t>(c));
        put_big(tag, 0, 4);
        put_big(tag, 1, 4);
        put_big(tag, 12, 4);
        for (const char c : {'e', 'n', 'U', 'S'}) tag.push_back(static_cast<uint8_t>(c));
        put_big(tag, 2 * text.size(), 4);
        put_big(tag, 28, 4);
        for (const char c : text) put_big(tag, static_cast<uint8_t>(c), 2);
    } else {
        for (const char c : {'d', 'e', 's', 'c'}) tag.push_back(static_cast<uint8_t>(c));
        put_big(tag, 0, 4);
        put_big(tag, text.size() + 1, 4);
        tag.insert(tag.end(), text.begin(), text.end());
        tag.push_back(0);
        tag.resize(tag.size() + 79);
    }
    Bytes icc(128, 0);
    put_big(icc, 1, 4);
    for (const char c : {'d', 'e', 's', 'c'}) icc.push_back(static_cast<uint8_t>(c));
    put_big(icc, 144, 4);
    put_big(icc, tag.size(), 4);
    icc.insert(icc.end(), tag.begin(), tag.end());
    return icc;
}

}  // namespace

TEST_CASE("a profile is named unless it is sRGB, and junk is no danger", "[frame_reader][icc]") {
    using frame_detail::profile_description;
    for (const bool version4 : {false, true}) {
        CHECK(profile_description(profile("Wide Sample RGB", version4)) == "Wide Sample RGB");
        CHECK(profile_description(profile("sRGB IEC61966-2.1", version4)).empty());
        CHECK(profile_description(profile("two\nlines", version4)) == "twolines");
        CHECK(profile_description(profile(std::string(5000, 'x'), version4)).size() <= 120);
        const Bytes good = profile("Wide Sample RGB", version4);
        for (size_t length = 0; length < good.size(); ++length) {
            CHECK_FALSE(profile_description(std::span(good).first(length)).empty());
        }
        uint32_t state = 99;
        for (int round = 0; round < 2000; ++round) {
            Bytes bad = good;
            for (int k = 0; k < 4; ++k) {
                state = state * 1664525U + 1013904223U;
                bad[128 + (state >> 8) % (bad.size() - 128)] = static_cast<uint8_t>(state);
            }
            const std::string text = profile_description(bad);
            REQUIRE(std::none_of(text.begin(), text.end(), [](char c) {
                return std::iscntrl(static_cast<unsigned char>(c)) != 0;
            }));
        }
    }
    // Inside a JPEG: APP2 in one piece (ICC.1:2010, annex B.4).
    const Folder folder;
    Bytes segment{'I', 'C', 'C', '_', 'P', 'R', 'O', 'F', 'I', 'L', 'E', 0, 1, 1};
    const Bytes icc = profile("Wide Sample RGB", false);
    segment.insert(segment.end(), icc.begin(), icc.end());
    JpegOptions options;
    test::write_bytes(folder / "a.jpg", test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), options));
    CHECK(probe_frame(folder / "a.jpg", "a").profile.empty());
    options.segments = {{0xE2, segment}};
    test::write_bytes(folder / "a.jpg", test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), options));
    CHECK(probe_frame(folder / "a.jpg", "a").profile == "Wide Sample RGB");
}

}  // namespace broadloom
