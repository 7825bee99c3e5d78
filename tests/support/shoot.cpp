#include "support/shoot.hpp"

#include <turbojpeg.h>
#include <vips/vips.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <stdexcept>

#include "base/parallel.hpp"
#include "broadloom/camera.hpp"
#include "broadloom/photometry.hpp"
#include "support/picture_sampler.hpp"

namespace broadloom::test {

namespace {

/// A small counter-based generator (the finaliser of SplitMix64): the same numbers everywhere.
uint64_t mix(uint64_t x) {
    x += 0x9e3779b97f4a7c15ULL;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9ULL;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebULL;
    return x ^ (x >> 31);
}
double uniform(uint64_t key) { return static_cast<double>(mix(key) >> 11) / 9007199254740992.0; }
double spread(uint64_t key) { return 2 * uniform(key) - 1; }
double gaussian(uint64_t key) {
    const double u = std::max(uniform(2 * key), 1e-12);
    return std::sqrt(-2 * std::log(u)) * std::cos(2 * kPi * uniform(2 * key + 1));
}

void write_jpeg(const std::filesystem::path& file, const std::vector<uint8_t>& rgb, int64_t width,
                int64_t height, int quality, bool chroma_444) {
    tjhandle handle = tjInitCompress();
    unsigned char* data = nullptr;
    unsigned long size = 0;
    const int failed =
        tjCompress2(handle, rgb.data(), static_cast<int>(width), 0, static_cast<int>(height),
                    TJPF_RGB, &data, &size, chroma_444 ? TJSAMP_444 : TJSAMP_420, quality, 0);
    FILE* out = failed == 0 ? std::fopen(file.c_str(), "wb") : nullptr;
    const bool good = out != nullptr && std::fwrite(data, 1, size, out) == size;
    if (out != nullptr) std::fclose(out);
    tjFree(data);
    tjDestroy(handle);
    if (!good) throw std::runtime_error("cannot write " + file.string());
}

}  // namespace

Picture load_picture(const std::filesystem::path& file) {
    static const int started = vips_init("tests");
    if (started != 0) throw std::runtime_error("libvips does not start");
    VipsImage* image = vips_image_new_from_file(file.c_str(), nullptr);
    if (image == nullptr) throw std::runtime_error("cannot read " + file.string());
    VipsImage* srgb = nullptr;
    VipsImage* bands = nullptr;
    Picture picture;
    size_t size = 0;
    void* data = nullptr;
    if (vips_colourspace(image, &srgb, VIPS_INTERPRETATION_sRGB, nullptr) == 0 &&
        vips_extract_band(srgb, &bands, 0, "n", std::min(3, srgb->Bands), nullptr) == 0) {
        picture.width = bands->Xsize;
        picture.height = bands->Ysize;
        data = vips_image_write_to_memory(bands, &size);
    }
    if (data != nullptr) {
        const auto pixels = static_cast<size_t>(picture.width * picture.height);
        const size_t n = size / pixels;
        const auto* from = static_cast<const uint8_t*>(data);
        picture.rgb.resize(3 * pixels);
        for (size_t i = 0; i < pixels; ++i) {
            for (size_t c = 0; c < 3; ++c) picture.rgb[3 * i + c] = from[n * i + (n == 3 ? c : 0)];
        }
    }
    g_free(data);
    if (bands != nullptr) g_object_unref(bands);
    if (srgb != nullptr) g_object_unref(srgb);
    g_object_unref(image);
    if (picture.rgb.empty()) throw std::runtime_error("cannot decode " + file.string());
    return picture;
}

Scene shoot(const Picture& picture, const Canvas& canvas, const ShootOptions& o,
            const std::filesystem::path& folder) {
    std::filesystem::create_directories(folder / "frames");
    Scene scene;
    scene.folder = folder;
    Camera camera;
    camera.width = o.width;
    camera.height = o.height;
    camera.focal_px = o.focal_px > 0 ? o.focal_px : canvas.pixels_per_degree * kDegPerRad;
    camera.radial = o.radial;
    camera.tangential = o.tangential;
    camera.vignetting = o.vignetting;
    scene.cameras["main"] = camera;
    scene.canvas.surface = canvas.surface;
    scene.canvas.pixels_per_degree = canvas.pixels_per_degree;
    if (!o.mirror) {
        scene.canvas.left_deg = canvas.left_deg;
        scene.canvas.right_deg = canvas.right_deg;
        scene.canvas.top_deg = canvas.top_deg;
        scene.canvas.bottom_deg = canvas.bottom_deg;
    }
    const double fov_x =
        2 * std::atan(static_cast<double>(o.width) / 2 / camera.focal_px) * kDegPerRad;
    const double fov_y =
        2 * std::atan(static_cast<double>(o.height) / 2 / camera.focal_px) * kDegPerRad;
    const double step_x = canvas.wraps ? 360.0 / o.columns : fov_x * (1 - o.overlap);
    const double step_y = fov_y * (1 - o.overlap);
    const double mid_x = (canvas.left_deg + canvas.right_deg) / 2;
    const double mid_y = (canvas.top_deg + canvas.bottom_deg) / 2;
    for (int c = 0; c < o.columns; ++c) {
        for (int r = 0; r < o.rows; ++r) {
            const uint64_t key = o.seed * 100003ULL + scene.frames.size() * 16;
            Frame f;
            f.camera = "main";
            f.row = r;
            f.column = c;
            f.yaw_deg =
                mid_x + (c - (o.columns - 1) / 2.0) * step_x + o.aim_error_deg * spread(key);
            f.pitch_deg =
                mid_y - (r - (o.rows - 1) / 2.0) * step_y + o.aim_error_deg * spread(key + 1);
            f.roll_deg = o.roll_error_deg * spread(key + 2);
            const double exposure = o.gain_spread * spread(key + 3);
            for (size_t i = 0; i < 3; ++i) {
                f.gain[i] = std::exp2(exposure + 0.1 * o.gain_spread * spread(key + 4 + i));
            }
            const int number = static_cast<int>(scene.frames.size());
            const int file = o.different_files > 0 ? number % o.different_files : number;
            char name[40];
            std::snprintf(name, sizeof name, "frames/%04d.jpg", file + 1);
            f.file = name;
            scene.frames.push_back(f);
        }
    }
    const Lens lens(camera);
    const PictureSampler sampler(picture, o.mirror, canvas.wraps && !o.mirror);
    std::atomic<size_t> next{0};
    const size_t files = o.different_files > 0
                             ? std::min(scene.frames.size(), static_cast<size_t>(o.different_files))
                             : scene.frames.size();
    run_workers(processor_count(), [&](int) {
        std::vector<uint8_t> rgb(static_cast<size_t>(o.width * o.height * 3));
        for (size_t i = next++; i < files; i = next++) {
            const Frame& f = scene.frames[i];
            if (std::filesystem::exists(folder / f.file)) continue;
            const Rotation rotation =
                Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg);
            for (int64_t y = 0; y < o.height; ++y) {
                for (int64_t x = 0; x < o.width; ++x) {
                    const Vec2 pixel{static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5};
                    const auto ab = lens.undistort(pixel);
                    uint8_t* out = rgb.data() + 3 * (y * o.width + x);
                    const auto at = ab ? canvas.position(rotation.to_world({ab->x, ab->y, 1}))
                                       : std::optional<Vec2>();
                    if (!at) {
                        std::memset(out, 0, 3);
                        continue;
                    }
                    double px = at->x;  // in [0, 360 s): left of the canvas comes out on the right
                    const double turn = 360 * canvas.pixels_per_degree;
                    if (!canvas.wraps && px - static_cast<double>(canvas.width) > turn - px)
                        px -= turn;
                    const auto light = sampler.at(px, at->y);
                    const double falloff = lens.vignetting(pixel);
                    const uint64_t key = (i << 40) ^ static_cast<uint64_t>(y * o.width + x) * 8 ^
                                         (static_cast<uint64_t>(o.seed) << 56);
                    for (size_t c = 0; c < 3; ++c) {
                        double v = 255 * srgb_encode(light[c] * falloff / f.gain[c]);
                        if (o.noise_levels > 0) v += o.noise_levels * gaussian(key + c);
                        out[c] = static_cast<uint8_t>(std::clamp(std::lround(v), 0L, 255L));
                    }
                }
            }
            write_jpeg(folder / f.file, rgb, o.width, o.height, o.quality, o.chroma_444);
        }
    });
    return scene;
}

double psnr(const Picture& a, const Picture& b, int64_t margin) {
    double sum = 0;
    double count = 0;
    for (int64_t y = margin; y < a.height - margin; ++y) {
        for (int64_t x = margin; x < a.width - margin; ++x) {
            for (int c = 0; c < 3; ++c) {
                const double d = static_cast<double>(a.at(x, y)[c]) - b.at(x, y)[c];
                sum += d * d;
            }
            count += 3;
        }
    }
    return 10 * std::log10(255.0 * 255.0 / (sum / count));
}

double worst_block_bias(const Picture& a, const Picture& b, int64_t margin) {
    double worst = 0;
    for (int64_t y0 = margin; y0 + 64 <= a.height - margin; y0 += 64) {
        for (int64_t x0 = margin; x0 + 64 <= a.width - margin; x0 += 64) {
            for (int c = 0; c < 3; ++c) {
                int64_t sum = 0;
                bool clipped = false;
                for (int64_t y = y0; y < y0 + 64; ++y) {
                    for (int64_t x = x0; x < x0 + 64; ++x) {
                        const int truth = a.at(x, y)[c];
                        clipped = clipped || truth < 3 || truth > 230;
                        sum += b.at(x, y)[c] - truth;
                    }
                }
                if (!clipped) worst = std::max(worst, std::abs(static_cast<double>(sum)) / 4096);
            }
        }
    }
    return worst;
}

Picture through_jpeg(const Picture& picture, int quality, bool chroma_444) {
    tjhandle pack = tjInitCompress();
    tjhandle unpack = tjInitDecompress();
    unsigned char* data = nullptr;
    unsigned long size = 0;
    Picture out = picture;
    const auto w = static_cast<int>(picture.width);
    const auto h = static_cast<int>(picture.height);
    const bool good = tjCompress2(pack, picture.rgb.data(), w, 0, h, TJPF_RGB, &data, &size,
                                  chroma_444 ? TJSAMP_444 : TJSAMP_420, quality, 0) == 0 &&
                      tjDecompress2(unpack, data, size, out.rgb.data(), w, 0, h, TJPF_RGB, 0) == 0;
    tjFree(data);
    tjDestroy(pack);
    tjDestroy(unpack);
    if (!good) throw std::runtime_error("JPEG round trip failed");
    return out;
}

}  // namespace broadloom::test
