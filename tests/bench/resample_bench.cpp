// What resampling kernels keep and spoil.
//   resample_bench
// prints a zone plate and an edge, whose value is known at every position.
//   resample_bench RATIO STRETCH [BLUR PHOTOGRAPH...]
// does so at RATIO frame pixels a canvas pixel, kernels stretched by it when STRETCH is 1. Each
// photograph is a world of square points of light, blurred by a Gaussian of BLUR points: a camera
// whose square pixels are two points wide takes a frame (noise of one level, 8 bits, JPEG 95
// 4:2:0), turned and shifted against the canvas. The truth is what a camera with RATIO times larger
// pixels takes on the canvas's own grid. The frame is resampled to the canvas in encoded values, as
// the render does. With BROADLOOM_CROPS=FOLDER the pictures are kept.
#include <turbojpeg.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <random>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/parallel.hpp"
#include "broadloom/photometry.hpp"
#include "support/resample_kernels.hpp"
#include "support/shoot.hpp"

namespace {

using namespace broadloom;
using namespace broadloom::test;

struct Plane {
    int64_t width = 0, height = 0;
    std::vector<float> values;
    Plane() = default;
    Plane(int64_t w, int64_t h) : width(w), height(h), values(static_cast<size_t>(w * h)) {}
    [[nodiscard]] float& at(int64_t x, int64_t y) {
        return values[static_cast<size_t>(y * width + x)];
    }
    [[nodiscard]] float at(int64_t x, int64_t y) const {
        return values[static_cast<size_t>(y * width + x)];
    }
    [[nodiscard]] float clamped(int64_t x, int64_t y) const {
        return at(std::clamp<int64_t>(x, 0, width - 1), std::clamp<int64_t>(y, 0, height - 1));
    }
};

/// Where canvas points lie in the frame: turned, `ratio` frame pixels a canvas pixel, shifted.
struct Placing {
    double angle_deg, ratio, shift_x, shift_y;
    void operator()(double x, double y, double cx, double cy, double& u, double& v) const {
        const double c = std::cos(angle_deg * kCirclePi / 180) * ratio;
        const double s = std::sin(angle_deg * kCirclePi / 180) * ratio;
        u = cx * ratio + c * (x - cx) - s * (y - cy) + shift_x;
        v = cy * ratio + s * (x - cx) + c * (y - cy) + shift_y;
    }
};

template <typename Work>
void rows(int64_t n, const Work& work) {
    for_each_index(static_cast<size_t>(n), processor_count(),
                   [&](size_t y, int) { work(static_cast<int64_t>(y)); });
}

/// Cubic B-spline coefficients: a recursive filter with the pole sqrt(3) - 2 along both axes
/// (Unser, Aldroubi, Eden, IEEE Trans. PAMI 13(3), 1991), edges mirrored.
Plane spline_coefficients(Plane p) {
    const double z = std::sqrt(3.0) - 2;
    const auto line = [&](float* first, int64_t n, int64_t step) {
        const auto v = [&](int64_t i) -> float& { return first[i * step]; };
        double sum = 0;
        double power = 1;
        for (int64_t i = 0; i < std::min<int64_t>(n, 30); ++i, power *= z) {
            sum += power * static_cast<double>(v(i));
        }
        std::vector<double> c(static_cast<size_t>(n));
        c[0] = sum;
        for (size_t i = 1; i < c.size(); ++i) {
            c[i] = static_cast<double>(v(static_cast<int64_t>(i))) + z * c[i - 1];
        }
        const size_t e = c.size() - 1;
        c[e] = z / (z * z - 1) * (c[e] + z * c[e - 1]);
        for (size_t i = e; i-- > 0;) c[i] = z * (c[i + 1] - c[i]);
        for (size_t i = 0; i < c.size(); ++i) {
            v(static_cast<int64_t>(i)) = static_cast<float>(6 * c[i]);
        }
    };
    for (int64_t y = 0; y < p.height; ++y) line(&p.at(0, y), p.width, 1);
    for (int64_t x = 0; x < p.width; ++x) line(&p.at(x, 0), p.height, p.width);
    return p;
}

/// The plane of a frame on the canvas's grid; `step` frame pixels lie between its samples.
Plane resampled(const Plane& frame, const ResampleKernel& kernel, const Placing& placing,
                double stretch, int64_t width, int64_t height, int step = 1) {
    Plane out(width, height);
    rows(height, [&](int64_t y) {
        std::vector<double> wx;
        std::vector<double> wy;
        for (int64_t x = 0; x < width; ++x) {
            double u = 0;
            double v = 0;
            placing(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5,
                    static_cast<double>(width) / 2, static_cast<double>(height) / 2, u, v);
            int64_t x0 = 0;
            int64_t y0 = 0;
            weights_at(kernel, u / step - 0.5, stretch, x0, wx);
            weights_at(kernel, v / step - 0.5, stretch, y0, wy);
            double sum = 0;
            for (size_t j = 0; j < wy.size(); ++j) {
                double line = 0;
                for (size_t i = 0; i < wx.size(); ++i) {
                    line +=
                        wx[i] * static_cast<double>(frame.clamped(x0 + static_cast<int64_t>(i),
                                                                  y0 + static_cast<int64_t>(j)));
                }
                sum += wy[j] * line;
            }
            out.at(x, y) = static_cast<float>(sum);
        }
    });
    return out;
}

Plane prepared(const Plane& frame, const ResampleKernel& kernel) {
    return kernel.prefilter ? spline_coefficients(frame) : frame;
}

// --- Zone plate -----------------------------------------------------------------------------

constexpr int64_t kZoneSide = 1000;

/// Phase of the zone plate around (middle, middle): local frequency = slope * radius cycles a
/// pixel.
double zone_phase(double x, double y, double middle, double slope) {
    const double dx = x - middle;
    const double dy = y - middle;
    return kCirclePi * slope * (dx * dx + dy * dy);
}

/// Contrast, phase error and what is neither (false patterns), by bands of the frequency that the
/// *canvas* sees, cycles a canvas pixel.
void zone_plate(const Placing& placing, bool stretch) {
    // Frame frequencies reach 1/2 at the end of the axes.
    const auto side = static_cast<int64_t>(std::ceil(kZoneSide * placing.ratio));
    const double slope = 0.5 / (static_cast<double>(side) / 2);
    const double middle = static_cast<double>(side) / 2;
    Plane frame(side, side);
    for (int64_t y = 0; y < side; ++y) {
        for (int64_t x = 0; x < side; ++x) {
            frame.at(x, y) = static_cast<float>(
                128 + 100 * std::cos(zone_phase(static_cast<double>(x) + 0.5,
                                                static_cast<double>(y) + 0.5, middle, slope)));
        }
    }
    const double bands[] = {0, 0.1, 0.2, 0.3, 0.4, 0.45, 0.5};
    std::printf("zone plate turned %.1f deg, %.3f frame px a canvas px%s\n", placing.angle_deg,
                placing.ratio, stretch ? ", kernels stretched" : "");
    std::printf(
        "  contrast %% (false pattern, rms %% of the contrast) in bands of frame frequency\n"
        "  %-12s",
        "kernel");
    for (int b = 0; b < 6; ++b) std::printf("   %.2f-%.2f   ", bands[b], bands[b + 1]);
    std::printf(" worst phase, px\n");
    for (const ResampleKernel& kernel : resample_kernels()) {
        const Plane out =
            resampled(prepared(frame, kernel), kernel, placing,
                      stretch ? std::max(1.0, placing.ratio) : 1.0, kZoneSide, kZoneSide);
        struct Sums {
            double cc = 0, ss = 0, cs = 0, vc = 0, vs = 0, vv = 0, n = 0;
        } sums[6];
        for (int64_t y = 12; y < kZoneSide - 12; ++y) {
            for (int64_t x = 12; x < kZoneSide - 12; ++x) {
                double u = 0;
                double v = 0;
                placing(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5, kZoneSide / 2.0,
                        kZoneSide / 2.0, u, v);
                if (u < 12 || v < 12 || u > static_cast<double>(side) - 12 ||
                    v > static_cast<double>(side) - 12) {
                    continue;
                }
                const double f = slope * std::hypot(u - middle, v - middle);
                int b = 0;
                while (b < 6 && f >= bands[b + 1]) ++b;
                if (b == 6) continue;
                const double phase = zone_phase(u, v, middle, slope);
                const double c = std::cos(phase);
                const double s = std::sin(phase);
                const double value = (static_cast<double>(out.at(x, y)) - 128) / 100;
                Sums& q = sums[b];
                q.cc += c * c;
                q.ss += s * s;
                q.cs += c * s;
                q.vc += value * c;
                q.vs += value * s;
                q.vv += value * value;
                q.n += 1;
            }
        }
        std::printf("  %-12s", kernel.name);
        double worst = 0;
        for (int b = 0; b < 6; ++b) {
            const Sums& q = sums[b];
            const double det = q.cc * q.ss - q.cs * q.cs;
            const double a = (q.vc * q.ss - q.vs * q.cs) / det;
            const double i = (q.vs * q.cc - q.vc * q.cs) / det;
            const double rest = std::max(0.0, (q.vv - a * q.vc - i * q.vs) / q.n);
            std::printf(" %6.1f (%4.1f)", 100 * std::hypot(a, i), 100 * std::sqrt(rest));
            const double f = (bands[b] + bands[b + 1]) / 2;
            worst = std::max(worst, std::abs(std::atan2(i, a)) / (2 * kCirclePi * f));
        }
        std::printf("  %.4f\n", worst);
    }
}

/// Overshoot of a slanted edge that square pixels photographed, % of its height.
void edge() {
    constexpr int64_t kSide = 400;
    Plane frame(kSide, kSide);
    for (int64_t y = 0; y < kSide; ++y) {
        for (int64_t x = 0; x < kSide; ++x) {
            const double d =
                static_cast<double>(x) + 0.5 - kSide / 2.0 - 0.09 * static_cast<double>(y);
            frame.at(x, y) = static_cast<float>(std::clamp(d + 0.5, 0.0, 1.0));
        }
    }
    const Placing placing{0.7, 1.013, 0.37, 0.61};
    std::printf(
        "slanted edge (square pixels): overshoot, second lobe, %% of the edge; 10-90 %% rise, "
        "px\n");
    for (const ResampleKernel& kernel : resample_kernels()) {
        const Plane out = resampled(prepared(frame, kernel), kernel, placing, 1, 300, 300);
        double over = 0;
        double second = 0;
        double rise = 0;
        int64_t counted = 0;
        for (int64_t y = 20; y < 280; ++y) {
            double low = -1;
            double high = -1;
            for (int64_t x = 1; x < 299; ++x) {
                const auto v = static_cast<double>(out.at(x, y));
                const auto w = static_cast<double>(out.at(x + 1, y));
                over = std::max(over, std::max(v - 1, -v));
                if (low < 0 && v < 0.1 && w >= 0.1)
                    low = static_cast<double>(x) + (0.1 - v) / (w - v);
                if (high < 0 && v < 0.9 && w >= 0.9)
                    high = static_cast<double>(x) + (0.9 - v) / (w - v);
            }
            for (int64_t x = 1; x < 300; ++x) {
                const double away = static_cast<double>(x) - (low + high) / 2;
                const auto v = static_cast<double>(out.at(x, y));
                if (away > 2.2) second = std::max(second, std::abs(v - 1));
                if (away < -2.2) second = std::max(second, std::abs(v));
            }
            rise += high - low;
            ++counted;
        }
        std::printf("  %-12s %5.2f %5.2f %6.3f\n", kernel.name, 100 * over, 100 * second,
                    rise / static_cast<double>(counted));
    }
}

// --- Photographs ----------------------------------------------------------------------------

constexpr double kPoints = 2;

struct World {
    std::array<Plane, 3> light;
};

World world_of(const std::filesystem::path& file, double blur) {
    const Picture picture = load_picture(file);
    World world;
    for (size_t c = 0; c < 3; ++c) {
        Plane p(picture.width, picture.height);
        for (size_t i = 0; i < p.values.size(); ++i) {
            p.values[i] = static_cast<float>(srgb_decode(picture.rgb[3 * i + c] / 255.0));
        }
        if (blur > 0) {
            double g[9];
            double sum = 0;
            for (int i = 0; i < 9; ++i)
                sum += g[i] = std::exp(-(i - 4) * (i - 4) / (2 * blur * blur));
            for (double& v : g) v /= sum;
            for (const bool across : {true, false}) {
                const Plane from = p;
                rows(p.height, [&](int64_t y) {
                    for (int64_t x = 0; x < p.width; ++x) {
                        double s = 0;
                        for (int i = 0; i < 9; ++i) {
                            s += g[i] * static_cast<double>(across ? from.clamped(x + i - 4, y)
                                                                   : from.clamped(x, y + i - 4));
                        }
                        p.at(x, y) = static_cast<float>(s);
                    }
                });
            }
        }
        world.light[c] = std::move(p);
    }
    return world;
}

/// Mean light of the square of side `side` points around (x, y), encoded, 0..255.
double seen(const Plane& light, double x, double y, double side) {
    const double x0 = x - side / 2;
    const double x1 = x + side / 2;
    const double y0 = y - side / 2;
    const double y1 = y + side / 2;
    double sum = 0;
    for (auto j = static_cast<int64_t>(std::floor(y0)); static_cast<double>(j) < y1; ++j) {
        const double h =
            std::min(y1, static_cast<double>(j) + 1) - std::max(y0, static_cast<double>(j));
        for (auto i = static_cast<int64_t>(std::floor(x0)); static_cast<double>(i) < x1; ++i) {
            const double w =
                std::min(x1, static_cast<double>(i) + 1) - std::max(x0, static_cast<double>(i));
            sum += w * h * static_cast<double>(light.clamped(i, j));
        }
    }
    return 255 * srgb_encode(sum / (side * side));
}

struct Ycc {
    std::array<Plane, 3> planes;
    int step = 1;  ///< of planes 1 and 2
};

/// The truth on the canvas's grid, not rounded.
Ycc truth_of(const World& world, int64_t width, int64_t height, double ratio) {
    Ycc out;
    for (Plane& p : out.planes) p = Plane(width, height);
    rows(height, [&](int64_t y) {
        for (int64_t x = 0; x < width; ++x) {
            double c[3];
            for (size_t i = 0; i < 3; ++i) {
                c[i] = seen(world.light[i], (static_cast<double>(x) + 0.5) * kPoints * ratio,
                            (static_cast<double>(y) + 0.5) * kPoints * ratio, kPoints * ratio);
            }
            out.planes[0].at(x, y) = static_cast<float>(0.299 * c[0] + 0.587 * c[1] + 0.114 * c[2]);
            out.planes[1].at(x, y) =
                static_cast<float>(128 - 0.168736 * c[0] - 0.331264 * c[1] + 0.5 * c[2]);
            out.planes[2].at(x, y) =
                static_cast<float>(128 + 0.5 * c[0] - 0.418688 * c[1] - 0.081312 * c[2]);
        }
    });
    return out;
}

/// A frame: `placing` says where canvas pixels lie in it; through JPEG into its planes.
Ycc frame_of(const World& world, const Placing& placing, int64_t canvas_width,
             int64_t canvas_height, int quality, double noise) {
    const auto width =
        static_cast<int64_t>(static_cast<double>(canvas_width) * placing.ratio) / 2 * 2;
    const auto height =
        static_cast<int64_t>(static_cast<double>(canvas_height) * placing.ratio) / 2 * 2;
    std::vector<uint8_t> rgb(static_cast<size_t>(width * height * 3));
    const double cx = static_cast<double>(canvas_width) / 2;
    const double cy = static_cast<double>(canvas_height) / 2;
    const double c = std::cos(placing.angle_deg * kCirclePi / 180) / placing.ratio;
    const double s = std::sin(placing.angle_deg * kCirclePi / 180) / placing.ratio;
    rows(height, [&](int64_t y) {
        std::mt19937 random(static_cast<uint32_t>(y) + 17U);
        std::normal_distribution<double> grain(0, noise > 0 ? noise : 1);
        for (int64_t x = 0; x < width; ++x) {
            const double u = static_cast<double>(x) + 0.5 - placing.shift_x - cx * placing.ratio;
            const double v = static_cast<double>(y) + 0.5 - placing.shift_y - cy * placing.ratio;
            const double px = cx + c * u + s * v;
            const double py = cy - s * u + c * v;
            for (size_t i = 0; i < 3; ++i) {
                const double value = seen(world.light[i], px * kPoints * placing.ratio,
                                          py * kPoints * placing.ratio, kPoints) +
                                     (noise > 0 ? grain(random) : 0);
                rgb[static_cast<size_t>(y * width + x) * 3 + i] =
                    static_cast<uint8_t>(std::clamp(std::lround(value), 0L, 255L));
            }
        }
    });
    tjhandle encoder = tjInitCompress();
    tjhandle decoder = tjInitDecompress();
    unsigned char* bytes = nullptr;
    unsigned long size = 0;
    const int w = static_cast<int>(width);
    const int h = static_cast<int>(height);
    std::vector<uint8_t> luma(static_cast<size_t>(width * height));
    std::vector<uint8_t> blue(luma.size() / 4);
    std::vector<uint8_t> red(luma.size() / 4);
    unsigned char* planes[3] = {luma.data(), blue.data(), red.data()};
    const bool good = tjCompress2(encoder, rgb.data(), w, 0, h, TJPF_RGB, &bytes, &size, TJSAMP_420,
                                  quality, TJFLAG_ACCURATEDCT) == 0 &&
                      tjDecompressToYUVPlanes(decoder, bytes, size, planes, w, nullptr, h, 0) == 0;
    tjFree(bytes);
    tjDestroy(encoder);
    tjDestroy(decoder);
    if (!good) throw std::runtime_error("the JPEG codec failed");
    Ycc out;
    out.step = 2;
    for (size_t i = 0; i < 3; ++i) {
        out.planes[i] = Plane(i == 0 ? width : width / 2, i == 0 ? height : height / 2);
        for (size_t k = 0; k < out.planes[i].values.size(); ++k)
            out.planes[i].values[k] = planes[i][k];
    }
    return out;
}

constexpr int64_t kMargin = 24;

double psnr_of(const Plane& a, const Plane& b) {
    double sum = 0;
    for (int64_t y = kMargin; y < a.height - kMargin; ++y) {
        for (int64_t x = kMargin; x < a.width - kMargin; ++x) {
            const double d = static_cast<double>(a.at(x, y)) - static_cast<double>(b.at(x, y));
            sum += d * d;
        }
    }
    const double n = static_cast<double>((a.width - 2 * kMargin) * (a.height - 2 * kMargin));
    return 10 * std::log10(255.0 * 255.0 * n / sum);
}

/// Structural similarity (Wang et al., IEEE Trans. Image Processing 13(4), 2004) over squares of 8.
double ssim_of(const Plane& a, const Plane& b) {
    double sum = 0;
    double n = 0;
    for (int64_t y = kMargin; y + 8 <= a.height - kMargin; y += 4) {
        for (int64_t x = kMargin; x + 8 <= a.width - kMargin; x += 4) {
            double ma = 0, mb = 0, aa = 0, bb = 0, ab = 0;
            for (int64_t j = 0; j < 8; ++j) {
                for (int64_t i = 0; i < 8; ++i) {
                    const auto p = static_cast<double>(a.at(x + i, y + j));
                    const auto q = static_cast<double>(b.at(x + i, y + j));
                    ma += p, mb += q, aa += p * p, bb += q * q, ab += p * q;
                }
            }
            ma /= 64, mb /= 64;
            const double va = aa / 64 - ma * ma;
            const double vb = bb / 64 - mb * mb;
            const double co = ab / 64 - ma * mb;
            sum += (2 * ma * mb + 6.5025) * (2 * co + 58.5225) /
                   ((ma * ma + mb * mb + 6.5025) * (va + vb + 58.5225));
            n += 1;
        }
    }
    return sum / n;
}

/// Energy of differences between neighbours.
double gradient_energy(const Plane& p) {
    double sum = 0;
    for (int64_t y = kMargin; y < p.height - kMargin; ++y) {
        for (int64_t x = kMargin; x < p.width - kMargin; ++x) {
            const auto v = static_cast<double>(p.at(x, y));
            const double dx = static_cast<double>(p.at(x + 1, y)) - v;
            const double dy = static_cast<double>(p.at(x, y + 1)) - v;
            sum += dx * dx + dy * dy;
        }
    }
    return sum;
}

/// How far values lie outside the truth's range over 5x5, rms, where that range is at least 60.
double ringing_of(const Plane& truth, const Plane& out) {
    double sum = 0;
    double n = 0;
    for (int64_t y = kMargin; y < truth.height - kMargin; ++y) {
        for (int64_t x = kMargin; x < truth.width - kMargin; ++x) {
            float low = 1e9F;
            float high = -1e9F;
            for (int64_t j = -2; j <= 2; ++j) {
                for (int64_t i = -2; i <= 2; ++i) {
                    low = std::min(low, truth.at(x + i, y + j));
                    high = std::max(high, truth.at(x + i, y + j));
                }
            }
            if (high - low < 60) continue;
            const double e = std::max({0.0F, out.at(x, y) - high, low - out.at(x, y)});
            sum += e * e;
            n += 1;
        }
    }
    return n > 0 ? std::sqrt(sum / n) : 0;
}

void save(const std::filesystem::path& file, const Plane& p) {
    FILE* out = std::fopen(file.c_str(), "wb");
    if (out == nullptr) throw std::runtime_error("cannot write " + file.string());
    std::fprintf(out, "P5 %ld %ld 255\n", static_cast<long>(p.width), static_cast<long>(p.height));
    for (const float v : p.values)
        std::fputc(static_cast<int>(std::clamp(std::lround(v), 0L, 255L)), out);
    std::fclose(out);
}

void photograph(const std::filesystem::path& file, double blur, const Placing& placing,
                bool stretch) {
    const World world = world_of(file, blur);
    const auto limit = [&](int64_t side) {
        return std::min<int64_t>(
            1500, static_cast<int64_t>(static_cast<double>(side) / kPoints / placing.ratio));
    };
    const int64_t width = limit(world.light[0].width);
    const int64_t height = limit(world.light[0].height) * 2 / 3;
    const Ycc truth = truth_of(world, width, height, placing.ratio);
    const Ycc frame = frame_of(world, placing, width, height, 95, 1);
    std::printf("%s, lens blur %.1f px, turned %.1f deg, %.3f frame px a canvas px%s\n",
                file.filename().c_str(), blur / kPoints, placing.angle_deg, placing.ratio,
                stretch ? ", kernels stretched" : "");
    std::printf("  %-12s luma dB   SSIM    gradient %%  ringing   | Cb dB  Cr dB\n", "kernel");
    const char* folder = std::getenv("BROADLOOM_CROPS");
    const auto name = [&](const std::string& what) {
        std::string n =
            file.stem().string() + "_" + std::to_string(static_cast<int>(blur * 10)) + "_" + what;
        std::replace(n.begin(), n.end(), ' ', '_');
        return std::filesystem::path(folder) / (n + ".pgm");
    };
    if (folder != nullptr) save(name("truth"), truth.planes[0]);
    for (const ResampleKernel& kernel : resample_kernels()) {
        const double r = stretch ? std::max(1.0, placing.ratio) : 1.0;
        const Plane luma =
            resampled(prepared(frame.planes[0], kernel), kernel, placing, r, width, height);
        std::printf("  %-12s %7.3f  %.5f  %7.2f    %6.3f   |", kernel.name,
                    psnr_of(truth.planes[0], luma), ssim_of(truth.planes[0], luma),
                    100 * gradient_energy(luma) / gradient_energy(truth.planes[0]),
                    ringing_of(truth.planes[0], luma));
        for (size_t c = 1; c < 3; ++c) {
            const Plane chroma = resampled(prepared(frame.planes[c], kernel), kernel, placing,
                                           std::max(1.0, r / 2), width, height, 2);
            std::printf(" %6.3f", psnr_of(truth.planes[c], chroma));
        }
        std::printf("\n");
        if (folder != nullptr) save(name(kernel.name), luma);
    }
    std::fflush(stdout);
}

}  // namespace

int main(int argc, char** argv) {
    try {
        if (argc == 1) {
            zone_plate({1.3, 1.01, 0.37, 0.61}, false);
            edge();
            return 0;
        }
        if (argc < 3)
            throw std::runtime_error("usage: resample_bench [RATIO STRETCH [BLUR FILE...]]");
        const double ratio = std::atof(argv[1]);
        const bool stretch = std::atoi(argv[2]) != 0;
        if (argc == 3) {
            zone_plate({1.3, ratio, 0.37, 0.61}, stretch);
            return 0;
        }
        const double blur = std::atof(argv[3]);
        for (int i = 4; i < argc; ++i) {
            photograph(argv[i], blur, {0.6, ratio, 0.37, 0.61}, stretch);
        }
    } catch (const std::exception& e) {
        std::fprintf(stderr, "%s\n", e.what());
        return 1;
    }
    return 0;
}
