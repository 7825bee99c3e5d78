// The blend alone, every pixel within reach of a seam:
//   blend_bench WIDTH HEIGHT THREADS
// Two pictures that cover the whole canvas in 16-bit working values, owned in turn by stripes of
// 256 pixels, blended with 5 bands: here block by block, from planes and masks to 8-bit pixels; by
// OpenCV's multiband blender (feed twice, blend), from interleaved pixels and masks to 16-bit
// pixels. Prints a line of JSON; `agreement_db` says that both made the same picture.
#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <memory>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>
#include <opencv2/stitching/detail/blenders.hpp>
#include <string>
#include <vector>

#include "base/parallel.hpp"
#include "base/stopwatch.hpp"
#include "bench/floor.hpp"
#include "blend/multiband.hpp"
#include "support/world_noise.hpp"

namespace {

using namespace broadloom;
using test::processor_seconds;

constexpr int kBands = 5;
constexpr int64_t kCore = 512;    // as a render's blocks
constexpr int64_t kStripe = 256;  // a pixel is at most 128 from a seam: seam_reach(5)

int owner_of(int64_t x) { return static_cast<int>(floor_div(x, kStripe) & 1); }

/// Two pictures with room for any block's halo.
struct Sources {
    std::array<std::array<WorkPlane<int16_t>, 3>, 2> planes;

    Sources(int64_t width, int64_t height, int threads) {
        const Rect room = aligned_outwards(
            {-kCore, -kCore, aligned_outwards({0, 0, width, height}, kCore).x1 + kCore,
             aligned_outwards({0, 0, width, height}, kCore).y1 + kCore},
            16);
        for (size_t k = 0; k < 2; ++k) {
            for (size_t c = 0; c < 3; ++c) planes[k][c].reset(room);
        }
        for_each_index(static_cast<size_t>(room.height()), threads, [&](size_t j, int) {
            const int64_t y = room.y0 + static_cast<int64_t>(j);
            for (size_t k = 0; k < 2; ++k) {
                for (size_t c = 0; c < 3; ++c) {
                    int16_t* row = planes[k][c].at(room.x0, y);
                    for (int64_t x = room.x0; x < room.x1; ++x) {
                        // Tones that differ between the two, and grain.
                        const auto tone = static_cast<int>(3000 + 900 * static_cast<int64_t>(k) +
                                                           (x * (2 + y % 3) + y) % 1500);
                        const uint32_t grain = test::hash_of(x, y, static_cast<int64_t>(c));
                        row[x - room.x0] =
                            static_cast<int16_t>(tone + static_cast<int>(grain % 500));
                    }
                }
            }
        });
    }
};

/// One worker's blender, as the block renderer works but with pictures that are warped already.
class BlockBlender {
  public:
    BlockBlender(const Sources& sources, const Kernels& kernels)
        : sources_(sources), kernels_(kernels), correction_(kernels) {}

    void blend(const Rect& core, uint8_t* rgbx, std::ptrdiff_t stride) {
        const BandRanges ranges = band_ranges(core, kBands);
        const Rect halo = ranges.gauss[0];
        correction_.begin(ranges);
        weight_.reset(halo);
        for (auto& p : difference_) p.reset(halo);
        for (size_t k = 0; k < 2; ++k) {
            // A picture differs from the composite where the other one is seen.
            const auto& own = sources_.planes[k];
            const auto& other = sources_.planes[1 - k];
            for (int64_t y = halo.y0; y < halo.y1; ++y) {
                runs(halo, [&](int64_t x, int64_t n, size_t owner) {
                    std::fill_n(weight_.at(x, y), n, owner == k ? kWeightOne : int16_t{0});
                    for (size_t c = 0; c < 3; ++c) {
                        if (owner == k) {
                            std::fill_n(difference_[c].at(x, y), n, int16_t{0});
                        } else {
                            kernels_.work.subtract_row(difference_[c].at(x, y), own[c].at(x, y),
                                                       other[c].at(x, y), n);
                        }
                    }
                });
            }
            correction_.add(difference_, weight_);
        }
        for (auto& p : composite_) p.reset(core);
        for (int64_t y = core.y0; y < core.y1; ++y) {
            runs(core, [&](int64_t x, int64_t n, size_t owner) {
                for (size_t c = 0; c < 3; ++c) {
                    std::memcpy(composite_[c].at(x, y), sources_.planes[owner][c].at(x, y),
                                static_cast<size_t>(n) * sizeof(int16_t));
                }
            });
        }
        const auto& sum = correction_.finish();
        for (int64_t y = core.y0; y < core.y1; ++y) {
            for (size_t c = 0; c < 3; ++c) {
                kernels_.work.add_row(composite_[c].at(core.x0, y), sum[c].at(core.x0, y),
                                      core.width());
            }
            kernels_.pack_row(composite_[0].at(core.x0, y), composite_[1].at(core.x0, y),
                              composite_[2].at(core.x0, y), rgbx + (y - core.y0) * stride,
                              core.width(), Rounding{});
        }
    }

  private:
    /// Calls use(x, n, owner) for runs of one owner.
    template <typename Use>
    static void runs(const Rect& rect, const Use& use) {
        for (int64_t x = rect.x0; x < rect.x1;) {
            const int64_t end = std::min(rect.x1, (floor_div(x, kStripe) + 1) * kStripe);
            use(x, end - x, static_cast<size_t>(owner_of(x)));
            x = end;
        }
    }

    const Sources& sources_;
    const Kernels& kernels_;
    MultibandCorrection<int16_t> correction_;
    std::array<WorkPlane<int16_t>, 3> composite_, difference_;
    WorkPlane<int16_t> weight_;
};

/// The quickest of some runs.
struct Time {
    double seconds = 1e9, cpu_seconds = 1e9;  ///< processor time of all threads
    template <typename Work>
    void run(const Work& work) {
        const double cpu = processor_seconds();
        const double start = monotonic_seconds();
        work();
        seconds = std::min(seconds, monotonic_seconds() - start);
        cpu_seconds = std::min(cpu_seconds, processor_seconds() - cpu);
    }
};

Time blend_here(const Sources& sources, int64_t width, int64_t height, int threads,
                std::vector<uint8_t>& rgbx) {
    const Kernels& kernels = kernels_for(InstructionSet::automatic);
    std::vector<std::unique_ptr<BlockBlender>> workers;
    for (int t = 0; t < threads; ++t)
        workers.push_back(std::make_unique<BlockBlender>(sources, kernels));
    const int64_t across = ceil_div(width, kCore);
    const auto blocks = static_cast<size_t>(across * ceil_div(height, kCore));
    Time time;
    for (int run = 0; run < 4; ++run) {
        time.run([&] {
            for_each_index(blocks, threads, [&](size_t i, int t) {
                const int64_t x = static_cast<int64_t>(i) % across * kCore;
                const int64_t y = static_cast<int64_t>(i) / across * kCore;
                const Rect core{x, y, std::min(x + kCore, width), std::min(y + kCore, height)};
                workers[static_cast<size_t>(t)]->blend(core, rgbx.data() + 4 * (y * width + x),
                                                       4 * width);
            });
        });
    }
    return time;
}

Time blend_opencv(const Sources& sources, int width, int height, int weight_type,
                  cv::Mat& picture) {
    std::array<cv::Mat, 2> pictures;
    std::array<cv::Mat, 2> masks;
    for (size_t k = 0; k < 2; ++k) {
        pictures[k].create(height, width, CV_16SC3);
        masks[k].create(height, width, CV_8UC1);
        for (int y = 0; y < height; ++y) {
            auto* to = pictures[k].ptr<cv::Vec3s>(y);
            for (int x = 0; x < width; ++x) {
                for (size_t c = 0; c < 3; ++c)
                    to[x][static_cast<int>(c)] = *sources.planes[k][c].at(x, y);
                masks[k].at<uint8_t>(y, x) = owner_of(x) == static_cast<int>(k) ? 255 : 0;
            }
        }
    }
    Time time;
    for (int run = 0; run < 2; ++run) {
        time.run([&] {
            cv::detail::MultiBandBlender blender(0, kBands, weight_type);
            blender.prepare(cv::Rect(0, 0, width, height));
            for (size_t k = 0; k < 2; ++k) blender.feed(pictures[k], masks[k], cv::Point(0, 0));
            cv::Mat mask;
            blender.blend(picture, mask);
        });
    }
    return time;
}

/// Peak signal-to-noise ratio inside a margin: at the canvas's edge the two continue it in their
/// own ways.
double agreement(const std::vector<uint8_t>& rgbx, const cv::Mat& other) {
    constexpr int kMargin = 128;
    double sum = 0;
    double n = 0;
    for (int y = kMargin; y + kMargin < other.rows; ++y) {
        const auto* row = other.ptr<cv::Vec3s>(y);
        for (int x = kMargin; x + kMargin < other.cols; ++x) {
            for (int c = 0; c < 3; ++c) {
                const int here = rgbx[size_t{4} * static_cast<size_t>(y * other.cols + x) +
                                      static_cast<size_t>(c)];
                const double d = here - row[x][c] / 32.0;
                sum += d * d;
                n += 1;
            }
        }
    }
    return 10 * std::log10(255.0 * 255.0 * n / sum);
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 4) {
        std::fprintf(stderr, "usage: blend_bench WIDTH HEIGHT THREADS\n");
        return 2;
    }
    try {
        const int64_t width = std::atoll(argv[1]);
        const int64_t height = std::atoll(argv[2]);
        const int threads = std::max(1, std::atoi(argv[3]));
        cv::setNumThreads(threads);
        const Sources sources(width, height, threads);
        std::vector<uint8_t> rgbx(static_cast<size_t>(4 * width * height));
        const Time here = blend_here(sources, width, height, threads, rgbx);
        cv::Mat picture;
        // Whichever kind of weights it is faster with.
        const Time floats = blend_opencv(sources, static_cast<int>(width), static_cast<int>(height),
                                         CV_32F, picture);
        const double agreed = agreement(rgbx, picture);
        const Time shorts = blend_opencv(sources, static_cast<int>(width), static_cast<int>(height),
                                         CV_16S, picture);
        const double megapixels = 1e-6 * static_cast<double>(width * height);
        const Time& opencv = floats.seconds < shorts.seconds ? floats : shorts;
        nlohmann::ordered_json j;
        j["megapixels"] = megapixels;
        j["threads"] = threads;
        j["seconds"] = here.seconds;
        j["cpu_seconds"] = here.cpu_seconds;
        j["opencv_seconds"] = opencv.seconds;
        j["opencv_cpu_seconds"] = opencv.cpu_seconds;
        j["opencv_float_weights_seconds"] = floats.seconds;
        j["opencv_integer_weights_seconds"] = shorts.seconds;
        j["megapixels_per_second"] = megapixels / here.seconds;
        j["opencv_megapixels_per_second"] = megapixels / opencv.seconds;
        j["times_as_fast"] = opencv.seconds / here.seconds;
        j["times_as_fast_by_cpu"] = opencv.cpu_seconds / here.cpu_seconds;
        j["agreement_db"] = agreed;
        std::printf("%s\n", j.dump().c_str());
        return 0;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "blend_bench: %s\n", e.what());
        return 1;
    }
}
