#include "support/plain_composite.hpp"

#include <turbojpeg.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <fstream>
#include <iterator>
#include <stdexcept>

#include "base/parallel.hpp"
#include "broadloom/photometry.hpp"
#include "broadloom/rotation.hpp"

namespace broadloom::test {

namespace {

Picture decode(const std::filesystem::path& file) {
    std::ifstream in(file, std::ios::binary);
    const std::vector<char> data{std::istreambuf_iterator<char>(in),
                                 std::istreambuf_iterator<char>()};
    const auto* bytes = reinterpret_cast<const unsigned char*>(data.data());
    tjhandle handle = tjInitDecompress();
    int width = 0;
    int height = 0;
    int chroma = 0;
    int colours = 0;
    Picture picture;
    bool good =
        tjDecompressHeader3(handle, bytes, data.size(), &width, &height, &chroma, &colours) == 0;
    if (good) {
        picture.width = width;
        picture.height = height;
        picture.rgb.resize(static_cast<size_t>(width) * static_cast<size_t>(height) * 3);
        good = tjDecompress2(handle, bytes, data.size(), picture.rgb.data(), width, 0, height,
                             TJPF_RGB, 0) == 0;
    }
    tjDestroy(handle);
    if (!good) throw std::runtime_error("cannot decode " + file.string());
    return picture;
}

/// Keys' cubic with a = -1/2 (IEEE Trans. ASSP 29(6), 1981) by its two branches.
double cubic(double t) {
    t = std::abs(t);
    if (t < 1) return (1.5 * t - 2.5) * t * t + 1;
    return t < 2 ? ((-0.5 * t + 2.5) * t - 4) * t + 2 : 0;
}

double bicubic(const Picture& p, double x, double y, int channel) {
    const double fx = std::floor(x - 0.5);
    const double fy = std::floor(y - 0.5);
    double sum = 0;
    for (int j = -1; j <= 2; ++j) {
        for (int i = -1; i <= 2; ++i) {
            const auto px = std::clamp<int64_t>(static_cast<int64_t>(fx) + i, 0, p.width - 1);
            const auto py = std::clamp<int64_t>(static_cast<int64_t>(fy) + j, 0, p.height - 1);
            sum += cubic(x - 0.5 - fx - i) * cubic(y - 0.5 - fy - j) * p.at(px, py)[channel];
        }
    }
    return sum;
}

struct Shot {
    Lens lens;
    Rotation rotation;
    std::array<double, 3> gain;
    Picture pixels;
};

}  // namespace

Picture plain_composite(const Scene& scene, const Canvas& canvas) {
    std::vector<Shot> shots;
    for (const Frame& f : scene.frames) {
        shots.push_back({Lens(scene.cameras.at(f.camera)),
                         Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg),
                         f.gain, decode(scene.path_of(f))});
    }
    Picture out;
    out.width = canvas.width;
    out.height = canvas.height;
    out.rgb.resize(static_cast<size_t>(3 * canvas.width * canvas.height));
    std::atomic<int64_t> next{0};
    run_workers(processor_count(), [&](int) {
        for (int64_t y = next++; y < canvas.height; y = next++) {
            for (int64_t x = 0; x < canvas.width; ++x) {
                const Vec3 d =
                    canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
                const Shot* best = nullptr;
                double best_score = -1e9;
                for (const Shot& s : shots) {
                    const double score = dot(d, s.rotation.axis());
                    if (score <= best_score || !s.lens.in_view(s.rotation.to_camera(d))) continue;
                    best = &s;
                    best_score = score;
                }
                if (best == nullptr)
                    throw std::runtime_error("the frames leave part of the canvas bare");
                const Vec2 at = *best->lens.project(best->rotation.to_camera(d));
                const double falloff = best->lens.vignetting(at);
                for (int c = 0; c < 3; ++c) {
                    const double light = srgb_decode(bicubic(best->pixels, at.x, at.y, c) / 255) *
                                         best->gain[static_cast<size_t>(c)] / falloff;
                    out.rgb[static_cast<size_t>(3 * (y * canvas.width + x) + c)] =
                        static_cast<uint8_t>(
                            std::clamp(std::lround(255 * srgb_encode(light)), 0L, 255L));
                }
            }
        }
    });
    return out;
}

Picture cropped(const Picture& picture, int64_t x, int64_t y, int64_t width, int64_t height) {
    if (x < 0 || y < 0 || x + width > picture.width || y + height > picture.height) {
        throw std::runtime_error("the piece does not lie inside the picture");
    }
    Picture out;
    out.width = width;
    out.height = height;
    out.rgb.reserve(static_cast<size_t>(3 * width * height));
    for (int64_t row = y; row < y + height; ++row) {
        const uint8_t* from = picture.at(x, row);
        out.rgb.insert(out.rgb.end(), from, from + 3 * width);
    }
    return out;
}

}  // namespace broadloom::test
