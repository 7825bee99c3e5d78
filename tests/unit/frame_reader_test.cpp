#include "io/frame_reader.hpp"

#include <turbojpeg.h>

#include <algorithm>
#include <catch2/catch.hpp>
#include <thread>

#include "broadloom/rect.hpp"
#include "support/frame_files.hpp"

namespace broadloom {
namespace {

using test::Folder;
using test::JpegOptions;
using test::Picture;

using Factors = std::vector<std::pair<int, int>>;
const Factors k444{{1, 1}, {1, 1}, {1, 1}}, k422{{2, 1}, {1, 1}, {1, 1}},
    k420{{2, 2}, {1, 1}, {1, 1}}, k440{{1, 2}, {1, 1}, {1, 1}}, k411{{4, 1}, {1, 1}, {1, 1}};
constexpr std::array<std::pair<int, int>, 7> kSizes{
    {{1, 1}, {17, 13}, {31, 37}, {64, 48}, {101, 3}, {2, 97}, {8, 8}}};

template <typename T>
T sample(const FramePixels& f, size_t plane, int64_t x, int64_t y) {
    const FramePlane& p = f.planes[plane];
    return reinterpret_cast<const T*>(p.origin + y * p.stride)[x];
}

FrameInfo load(const std::filesystem::path& path, int denominator, FramePixels& pixels) {
    const FrameInfo info = probe_frame(path, path.filename().string());
    decode_frame(path, path.filename().string(), info, denominator, pixels);
    return info;
}

/// Every sample of the border equals the nearest one inside.
template <typename T>
bool border_is_replicated(const FramePixels& f) {
    for (size_t i = 0; i < f.planes.size(); ++i) {
        const FramePlane& p = f.planes[i];
        for (int64_t y = -kPlanePad; y < p.height + kPlanePad; ++y) {
            for (int64_t x = -kPlanePad; x < p.width + kPlanePad; ++x) {
                const int64_t cx = std::clamp<int64_t>(x, 0, p.width - 1);
                const int64_t cy = std::clamp<int64_t>(y, 0, p.height - 1);
                if (sample<T>(f, i, x, y) != sample<T>(f, i, cx, cy)) return false;
            }
        }
    }
    return true;
}

/// The largest difference between our planes, turned to RGB by JFIF's equations with the chroma
/// sample that covers the pixel (`shift` columns off, for the negative control), and `reference`.
double worst_rgb_difference(const FramePixels& f, const Picture<uint8_t>& reference,
                            int shift = 0) {
    double worst = 0;
    for (int y = 0; y < reference.height; ++y) {
        for (int x = 0; x < reference.width; ++x) {
            const int lx = std::min(x + shift, reference.width - 1);
            const int cx = lx / f.planes[1].subsample_x, cy = y / f.planes[1].subsample_y;
            const double luma = sample<uint8_t>(f, 0, lx, y);
            const double cb = sample<uint8_t>(f, 1, cx, cy) - 128.0;
            const double cr = sample<uint8_t>(f, 2, cx, cy) - 128.0;
            const std::array<double, 3> rgb{luma + 1.402 * cr, luma - 0.344136 * cb - 0.714136 * cr,
                                            luma + 1.772 * cb};
            for (int b = 0; b < 3; ++b) {
                const double value = std::clamp(rgb[static_cast<size_t>(b)], 0.0, 255.0);
                worst = std::max(worst, std::abs(value - reference.at(x, y, b)));
            }
        }
    }
    return worst;
}

}  // namespace

TEST_CASE("JPEG planes turned to RGB are libjpeg's RGB, at every size, scale and subsampling",
          "[frame_reader][jpeg]") {
    const Folder folder;
    const auto path = folder / "a.jpg";
    FramePixels pixels;
    for (const Factors& factors : {k444, k422, k420, k440, k411}) {
        for (const auto& [width, height] : kSizes) {
            for (const bool progressive : {false, true}) {
                JpegOptions options;
                options.factors = factors;
                options.progressive = progressive;
                const auto bytes = test::write_jpeg(test::wavy<uint8_t>(width, height, 3), options);
                test::write_bytes(path, bytes);
                for (const int d : {1, 2, 4, 8}) {
                    // At reduced scale libjpeg gives 4:2:0 finer chroma than its planes have: the
                    // next test covers that.
                    if (d > 1 && factors == k420) continue;
                    // One block wide: averaged, see below.
                    if (d > 1 && width <= 8) continue;
                    CAPTURE(factors[0].first, factors[0].second, width, height, progressive, d);
                    const FrameInfo info = load(path, d, pixels);
                    REQUIRE(info.colour == FrameColour::ycc);
                    REQUIRE(info.progressive == progressive);
                    REQUIRE(pixels.width == ceil_div(width, d));
                    REQUIRE(pixels.planes[0].height == ceil_div(height, d));
                    REQUIRE(pixels.planes[1].width == ceil_div(pixels.width, factors[0].first));
                    REQUIRE(pixels.planes[2].height == ceil_div(pixels.height, factors[0].second));
                    REQUIRE(border_is_replicated<uint8_t>(pixels));
                    // libjpeg rounds the conversion to whole levels, in one or two steps.
                    const auto reference = test::read_jpeg(bytes, d);
                    REQUIRE(worst_rgb_difference(pixels, reference) <= 1.01);
                    // Negative control: one column off is seen.
                    if (width > 100 && d == 1) {
                        REQUIRE(worst_rgb_difference(pixels, reference, 1) > 4);
                    }
                }
            }
        }
    }
}

TEST_CASE("4:2:0 planes at every scale are what each plane gives as a grey JPEG of its own",
          "[frame_reader][jpeg]") {
    // At quality 100 luma and chroma are quantised alike, so that a plane has the same coefficients
    // in the colour file and alone.
    const Folder folder;
    FramePixels pixels;
    for (const auto& [width, height] : kSizes) {
        std::array<Picture<uint8_t>, 3> planes;
        std::array<const unsigned char*, 3> pointers{};
        std::array<int, 3> strides{};
        for (int i = 0; i < 3; ++i) {
            const auto n = static_cast<size_t>(i);
            planes[n] = test::wavy<uint8_t>(tjPlaneWidth(i, width, TJSAMP_420),
                                            tjPlaneHeight(i, height, TJSAMP_420), 1,
                                            static_cast<uint32_t>(i) + 1);
            pointers[n] = planes[n].samples.data();
            strides[n] = planes[n].width;
        }
        const tjhandle handle = tjInitCompress();
        unsigned char* out = nullptr;
        unsigned long bytes = 0;
        const int failed =
            tjCompressFromYUVPlanes(handle, pointers.data(), width, strides.data(), height,
                                    TJSAMP_420, &out, &bytes, 100, TJFLAG_ACCURATEDCT);
        tjDestroy(handle);
        REQUIRE(failed == 0);
        test::write_bytes(folder / "ycc.jpg", {out, out + bytes});
        tjFree(out);
        for (const int d : {1, 2, 4, 8}) {
            // One block wide: averaged, see below.
            if (d > 1 && width <= 8) continue;
            load(folder / "ycc.jpg", d, pixels);
            REQUIRE(border_is_replicated<uint8_t>(pixels));
            for (size_t i = 0; i < 3; ++i) {
                CAPTURE(width, height, d, i);
                JpegOptions options;
                options.stored = JCS_GRAYSCALE;
                options.quality = 100;
                const auto alone = test::read_jpeg(test::write_jpeg(planes[i], options), d);
                const FramePlane& plane = pixels.planes[i];
                REQUIRE(plane.width <= alone.width);
                REQUIRE(plane.height <= alone.height);
                int differing = 0;
                for (int y = 0; y < plane.height; ++y) {
                    for (int x = 0; x < plane.width; ++x) {
                        differing += sample<uint8_t>(pixels, i, x, y) != alone.at(x, y, 0);
                    }
                }
                REQUIRE(differing == 0);
            }
        }
    }
}

TEST_CASE("grey and RGB-coded JPEGs keep their samples as planes", "[frame_reader][jpeg]") {
    const Folder folder;
    const auto path = folder / "a.jpg";
    FramePixels pixels;
    for (const auto& [width, height] : kSizes) {
        for (const int d : {1, 2, 4, 8}) {
            // A grey file may carry any sampling factors: they mean nothing there.
            for (const int factor : {1, 2}) {
                JpegOptions grey;
                grey.stored = JCS_GRAYSCALE;
                grey.factors = {{factor, factor}};
                const auto bytes = test::write_jpeg(test::wavy<uint8_t>(width, height, 1), grey);
                test::write_bytes(path, bytes);
                if (d > 1 && width <= 8) continue;
                CHECK(load(path, d, pixels).colour == FrameColour::grey);
                REQUIRE(pixels.planes.size() == 1);
                const auto reference = test::read_jpeg(bytes, d);
                for (int y = 0; y < reference.height; ++y) {
                    for (int x = 0; x < reference.width; ++x) {
                        REQUIRE(sample<uint8_t>(pixels, 0, x, y) == reference.at(x, y, 0));
                    }
                }
                REQUIRE(border_is_replicated<uint8_t>(pixels));
            }
            JpegOptions rgb;
            rgb.stored = JCS_RGB;  // libjpeg writes Adobe's APP14 with transform 0
            const auto bytes = test::write_jpeg(test::wavy<uint8_t>(width, height, 3), rgb);
            test::write_bytes(path, bytes);
            if (d > 1 && width <= 8) continue;
            CHECK(load(path, d, pixels).colour == FrameColour::rgb);
            REQUIRE(pixels.planes.size() == 3);
            const auto reference = test::read_jpeg(bytes, d);
            for (int y = 0; y < reference.height; ++y) {
                for (int x = 0; x < reference.width; ++x) {
                    for (size_t b = 0; b < 3; ++b) {
                        REQUIRE(sample<uint8_t>(pixels, b, x, y) ==
                                reference.at(x, y, static_cast<int>(b)));
                    }
                }
            }
            REQUIRE(border_is_replicated<uint8_t>(pixels));
        }
    }
}

TEST_CASE("a JPEG one block wide is averaged at scale", "[frame_reader][jpeg]") {
    const Folder folder;
    const auto path = folder / "a.jpg";
    FramePixels whole, pixels;
    for (const Factors& factors : {k444, k422, k420, k440, k411}) {
        for (const auto& [width, height] :
             std::array<std::pair<int, int>, 4>{{{1, 1}, {2, 97}, {8, 8}, {7, 30}}}) {
            JpegOptions options;
            options.factors = factors;
            test::write_bytes(path,
                              test::write_jpeg(test::wavy<uint8_t>(width, height, 3), options));
            load(path, 1, whole);
            for (const int d : {2, 4, 8}) {
                load(path, d, pixels);
                REQUIRE(border_is_replicated<uint8_t>(pixels));
                for (size_t i = 0; i < 3; ++i) {
                    const FramePlane& from = whole.planes[i];
                    const FramePlane& to = pixels.planes[i];
                    REQUIRE(to.width == ceil_div(from.width, d));
                    REQUIRE(to.height == ceil_div(from.height, d));
                    for (int64_t y = 0; y < to.height; ++y) {
                        double sum = 0, n = 0;
                        for (int64_t v = y * d; v < std::min((y + 1) * d, from.height); ++v) {
                            for (int64_t u = 0; u < std::min<int64_t>(d, from.width); ++u, ++n) {
                                sum += sample<uint8_t>(whole, i, u, v);
                            }
                        }
                        REQUIRE(sample<uint8_t>(pixels, i, 0, y) == std::floor(sum / n + 0.5));
                    }
                }
            }
        }
    }
}

TEST_CASE("unusual but legal JPEGs decode: odd factors, separate scans, restarts, trailing bytes",
          "[frame_reader][jpeg]") {
    const Folder folder;
    const auto path = folder / "a.jpg";
    FramePixels pixels;
    JpegOptions options;
    SECTION("4:2:2 said as 2x2 with chroma 1x2") { options.factors = {{2, 2}, {1, 2}, {1, 2}}; }
    SECTION("4:4:4 said as 2x1 everywhere") { options.factors = {{2, 1}, {2, 1}, {2, 1}}; }
    SECTION("a scan a component") {
        options.factors = k420;
        options.separate_scans = true;
    }
    SECTION("restart markers") {
        options.factors = k420;
        options.restart_rows = 1;
    }
    auto bytes = test::write_jpeg(test::wavy<uint8_t>(83, 59, 3), options);
    // Cameras append a second picture after the end of the first.
    bytes.insert(bytes.end(), 5000, 0x5A);
    test::write_bytes(path, bytes);
    const FrameInfo info = load(path, 1, pixels);
    CHECK(info.progressive == options.separate_scans);
    CHECK(worst_rgb_difference(pixels, test::read_jpeg(bytes)) <= 1.01);
}

TEST_CASE("orientation comes from Exif; nonsense reads as 1", "[frame_reader]") {
    const Folder folder;
    const auto path = folder / "a.jpg";
    for (const bool big_endian : {false, true}) {
        for (int value = 0; value <= 10; ++value) {
            CAPTURE(big_endian, value);
            JpegOptions options;
            options.segments = {{0xE1, test::exif_orientation(value, big_endian)}};
            test::write_bytes(path, test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), options));
            const FrameInfo info = probe_frame(path, "a");
            CHECK(info.orientation == (value >= 1 && value <= 8 ? value : 1));
            CHECK(info.stored_width == 20);
            CHECK(info.upright_width() == (value >= 5 && value <= 8 ? 10 : 20));
            CHECK(info.upright_height() == (value >= 5 && value <= 8 ? 20 : 10));
        }
    }
    JpegOptions none;
    test::write_bytes(path, test::write_jpeg(test::wavy<uint8_t>(20, 10, 3), none));
    CHECK(probe_frame(path, "a").orientation == 1);
    for (const int value : {1, 3, 6, 8}) {
        VipsImage* image = test::to_vips(test::wavy<uint8_t>(20, 10, 3), VIPS_INTERPRETATION_sRGB);
        vips_image_set_int(image, VIPS_META_ORIENTATION, value);
        test::save_vips(image, (folder / "a.tif").string());
        CHECK(probe_frame(folder / "a.tif", "a").orientation == value);
    }
}

namespace {

/// Block averages of `p`, rounded to nearest, are what the planes hold at every denominator.
template <typename T>
void check_averages(const std::filesystem::path& path, const Picture<T>& p, size_t planes) {
    FramePixels pixels;
    for (const int d : {1, 2, 4, 8}) {
        CAPTURE(path.filename().string(), p.width, p.height, p.bands, d);
        const FrameInfo info = load(path, d, pixels);
        REQUIRE(info.bits == static_cast<int>(sizeof(T)) * 8);
        REQUIRE(info.alpha == (static_cast<size_t>(p.bands) > planes));
        REQUIRE(pixels.planes.size() == planes);
        REQUIRE(pixels.width == ceil_div(p.width, d));
        REQUIRE(pixels.height == ceil_div(p.height, d));
        int differing = 0;
        for (size_t b = 0; b < planes; ++b) {
            for (int y = 0; y < pixels.height; ++y) {
                for (int x = 0; x < pixels.width; ++x) {
                    double sum = 0;
                    int n = 0;
                    for (int v = y * d; v < std::min((y + 1) * d, p.height); ++v) {
                        for (int u = x * d; u < std::min((x + 1) * d, p.width); ++u) {
                            sum += p.at(u, v, static_cast<int>(b));
                            ++n;
                        }
                    }
                    differing += std::floor(sum / n + 0.5) != sample<T>(pixels, b, x, y);
                }
            }
        }
        REQUIRE(differing == 0);
        REQUIRE(border_is_replicated<T>(pixels));
        // Negative control: the check sees one wrong sample in a border.
        auto* corner = reinterpret_cast<T*>(pixels.planes[0].origin - pixels.planes[0].stride) - 1;
        *corner = static_cast<T>(*corner + 1);
        REQUIRE_FALSE(border_is_replicated<T>(pixels));
    }
}

template <typename T>
void check_files(const Folder& folder, VipsInterpretation grey, VipsInterpretation colour) {
    const std::vector<std::string> kinds{"a.png",
                                         "a.png[interlace]",
                                         "a.tif",
                                         "a.tif[compression=deflate,predictor=horizontal]",
                                         "a.tif[compression=lzw,tile,tile-width=32,tile-height=16]",
                                         "a.tif[bigtiff]"};
    for (const auto& [width, height] : kSizes) {
        for (const int bands : {1, 2, 3, 4}) {
            const auto p = test::wavy<T>(width, height, bands);
            for (const std::string& kind : kinds) {
                test::save_vips(test::to_vips(p, bands < 3 ? grey : colour),
                                (folder / kind).string());
                check_averages(folder / kind.substr(0, 5), p, bands < 3 ? 1 : 3);
            }
        }
    }
}

}  // namespace

TEST_CASE("8- and 16-bit PNG and TIFF come back exactly, and averaged at scale", "[frame_reader]") {
    start_frame_library();
    const Folder folder;
    SECTION("8 bits") {
        check_files<uint8_t>(folder, VIPS_INTERPRETATION_B_W, VIPS_INTERPRETATION_sRGB);
    }
    SECTION("16 bits") {
        check_files<uint16_t>(folder, VIPS_INTERPRETATION_GREY16, VIPS_INTERPRETATION_RGB16);
    }
}

TEST_CASE("one-bit and palette pictures are expanded to 8 bits", "[frame_reader]") {
    start_frame_library();
    const Folder folder;
    auto p = test::wavy<uint8_t>(37, 21, 1);
    for (uint8_t& s : p.samples) s = s > 127 ? 255 : 0;
    for (const std::string kind : {"a.tif[bitdepth=1]", "a.png[bitdepth=1]"}) {
        test::save_vips(test::to_vips(p, VIPS_INTERPRETATION_B_W), (folder / kind).string());
        check_averages(folder / kind.substr(0, 5), p, 1);
    }
    auto rgb = test::wavy<uint8_t>(40, 30, 3);
    for (uint8_t& s : rgb.samples) s = s > 127 ? 255 : 0;  // eight colours
    test::save_vips(test::to_vips(rgb, VIPS_INTERPRETATION_sRGB),
                    (folder / "p.png[palette,dither=0,Q=100]").string());
    FramePixels pixels;
    const FrameInfo info = load(folder / "p.png", 1, pixels);
    CHECK(info.colour == FrameColour::rgb);
    CHECK(info.bits == 8);
    for (int y = 0; y < 30; ++y) {
        for (int x = 0; x < 40; ++x) {
            // The quantiser may move a colour a little; black and white stay apart.
            REQUIRE(std::abs(sample<uint8_t>(pixels, 1, x, y) - rgb.at(x, y, 1)) < 16);
        }
    }
}

TEST_CASE("memory is reused for the same or a smaller frame and moves with its owner",
          "[frame_reader]") {
    FrameInfo info;
    info.stored_width = 640;
    info.stored_height = 480;
    info.colour = FrameColour::ycc;
    info.subsample_x = info.subsample_y = 2;
    FramePixels a;
    a.allocate(info, 1);
    std::byte* const first = a.planes[0].origin;
    // Y and two quarter planes: at least half as much again as Y, and less than the double.
    CHECK(frame_bytes(info, 1) > 640U * 480 * 3 / 2);
    CHECK(frame_bytes(info, 1) < 640U * 480 * 2);
    a.allocate(info, 1);
    CHECK(a.planes[0].origin == first);
    a.allocate(info, 2);
    CHECK(a.width == 320);
    CHECK(a.planes[1].width == 160);
    FramePixels b(std::move(a));
    CHECK(a.planes.empty());
    b.allocate(info, 1);
    CHECK(b.planes[0].origin == first);
    b.release();
    CHECK(b.planes.empty());
    CHECK_THROWS(b.allocate(info, 3));
}

TEST_CASE("several threads decode at the same time and get the same pixels", "[frame_reader]") {
    start_frame_library();
    const Folder folder;
    const std::vector<std::string> names{"a.jpg", "b.png", "c.tif", "d.jpg"};
    JpegOptions options;
    options.factors = k420;
    test::write_bytes(folder / names[0],
                      test::write_jpeg(test::wavy<uint8_t>(301, 203, 3), options));
    options.progressive = true;
    test::write_bytes(folder / names[3],
                      test::write_jpeg(test::wavy<uint8_t>(301, 203, 3, 7), options));
    test::save_vips(test::to_vips(test::wavy<uint16_t>(301, 203, 3), VIPS_INTERPRETATION_RGB16),
                    (folder / names[1]).string());
    test::save_vips(test::to_vips(test::wavy<uint16_t>(301, 203, 3), VIPS_INTERPRETATION_RGB16),
                    (folder / names[2]).string());
    const auto checksum = [&](const std::string& name) {
        FramePixels pixels;
        const FrameInfo info = load(folder / name, 1, pixels);
        uint64_t sum = 1469598103934665603U;  // FNV-1a
        for (const FramePlane& p : pixels.planes) {
            for (int64_t y = 0; y < p.height; ++y) {
                for (int64_t x = 0; x < p.width * (info.bits / 8); ++x) {
                    sum =
                        (sum ^ static_cast<uint64_t>(p.origin[y * p.stride + x])) * 1099511628211U;
                }
            }
        }
        return sum;
    };
    std::vector<uint64_t> expected;
    for (const auto& name : names) expected.push_back(checksum(name));
    CHECK(expected[0] != expected[3]);
    std::atomic<int> wrong{0};
    std::vector<std::thread> threads;
    for (size_t t = 0; t < 4; ++t) {
        threads.emplace_back([&, t] {
            for (size_t i = 0; i < 12; ++i) {
                const size_t n = (i + t) % names.size();
                try {
                    if (checksum(names[n]) != expected[n]) ++wrong;
                } catch (const std::exception&) {
                    ++wrong;
                }
            }
        });
    }
    for (auto& t : threads) t.join();
    CHECK(wrong == 0);
}

}  // namespace broadloom
