#include "gather/survey.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <optional>
#include <utility>

#include "base/median.hpp"
#include "base/parallel.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "broadloom/photometry.hpp"
#include "io/jpeg_codec.hpp"

namespace broadloom {
namespace {

constexpr int64_t kMostPixels = 1'400'000;  // of a frame seen small
constexpr size_t kMostFeatures = 900;
constexpr int64_t kThumbnailSide = 180;
constexpr size_t kPartners = 8;  // looked at by appearance

/// Energy of the finest detail and mean linear light in a window.
std::pair<float, float> measure(const GreyImage& g, double x, double y,
                                const std::array<float, 256>& linear) {
    constexpr int64_t kRadius = 7;
    const auto cx = static_cast<int64_t>(x);
    const auto cy = static_cast<int64_t>(y);
    double energy = 0;
    double light = 0;
    int64_t count = 0;
    for (int64_t j = std::max<int64_t>(1, cy - kRadius); j <= std::min(g.height - 2, cy + kRadius);
         ++j) {
        for (int64_t i = std::max<int64_t>(1, cx - kRadius);
             i <= std::min(g.width - 2, cx + kRadius); ++i) {
            const int laplacian =
                4 * g.at(i, j) - g.at(i - 1, j) - g.at(i + 1, j) - g.at(i, j - 1) - g.at(i, j + 1);
            energy += laplacian * laplacian;
            light += linear[g.at(i, j)];
            ++count;
        }
    }
    if (count == 0) return {0.0F, 0.0F};
    return {static_cast<float>(energy / static_cast<double>(count)),
            static_cast<float>(light / static_cast<double>(count))};
}

double mean_laplacian(const GreyImage& g) {
    int64_t sum = 0;
    for (int64_t j = 1; j + 1 < g.height; ++j) {
        for (int64_t i = 1; i + 1 < g.width; ++i) {
            sum += std::abs(4 * g.at(i, j) - g.at(i - 1, j) - g.at(i + 1, j) - g.at(i, j - 1) -
                            g.at(i, j + 1));
        }
    }
    return static_cast<double>(sum) / std::max(1.0, static_cast<double>(g.width * g.height));
}

/// Box-averaged to at most kThumbnailSide.
void make_thumbnail(const ColourImage& image, JpegEncoder& encoder, SurveyFrame& frame) {
    const int64_t longest = std::max(image.width, image.height);
    const double shrink =
        std::max(1.0, static_cast<double>(longest) / static_cast<double>(kThumbnailSide));
    const auto w =
        std::max<int64_t>(1, static_cast<int64_t>(static_cast<double>(image.width) / shrink));
    const auto h =
        std::max<int64_t>(1, static_cast<int64_t>(static_cast<double>(image.height) / shrink));
    std::vector<uint8_t> rgbx(static_cast<size_t>(w * h * 4));
    for (int64_t y = 0; y < h; ++y) {
        for (int64_t x = 0; x < w; ++x) {
            const int64_t x0 = x * image.width / w;
            const int64_t x1 = std::max(x0 + 1, (x + 1) * image.width / w);
            const int64_t y0 = y * image.height / h;
            const int64_t y1 = std::max(y0 + 1, (y + 1) * image.height / h);
            std::array<int64_t, 3> sum{};
            for (int64_t j = y0; j < y1; ++j) {
                for (int64_t i = x0; i < x1; ++i) {
                    const uint16_t* p = image.at(i, j);
                    for (size_t c = 0; c < 3; ++c) sum[c] += p[c];
                }
            }
            const int64_t count = (x1 - x0) * (y1 - y0);
            for (size_t c = 0; c < 3; ++c) {
                rgbx[static_cast<size_t>((y * w + x) * 4) + c] =
                    static_cast<uint8_t>((sum[c] / count + 128) / 257);
            }
        }
    }
    const auto jpeg = encoder.encode(rgbx.data(), w, h, w * 4);
    frame.thumbnail.assign(reinterpret_cast<const char*>(jpeg.data()), jpeg.size());
    frame.thumbnail_width = w;
    frame.thumbnail_height = h;
}

/// Workers that the budget carries.
int workers_for(const std::vector<Photo>& photos, int threads, int64_t memory_bytes) {
    size_t worst = 0;
    for (const Photo& p : photos) {
        worst = std::max(worst, reduced_frame_bytes(p.info, reduction_for(p.info, kMostPixels)));
    }
    // Features with their descriptors, thumbnails and links stay; the rest comes and goes.
    constexpr int64_t kFrameKept = 200 << 10;
    constexpr int64_t kSlack = 48 << 20;
    const int64_t fixed =
        resident_bytes() + kSlack + kFrameKept * static_cast<int64_t>(photos.size());
    const auto each = static_cast<int64_t>(worst + feature_work_bytes());
    if (fixed + each > memory_bytes) {
        throw Error(ErrorCode::usage, "--memory: " + format_bytes(memory_bytes) +
                                          " is too little for these frames; give at least " +
                                          least_budget_text(fixed + each));
    }
    return static_cast<int>(std::clamp<int64_t>((memory_bytes - fixed) / each, 1, threads));
}

/// What looking at the frames will take, from what it took on a server processor of 2024.
std::string forecast(const std::vector<Photo>& photos, int workers) {
    double full = 0;
    double reduced = 0;
    for (const Photo& p : photos) {
        const int d = reduction_for(p.info, kMostPixels);
        const double pixels =
            static_cast<double>(p.info.stored_width) * static_cast<double>(p.info.stored_height);
        full += pixels / 1e6;
        reduced += pixels / 1e6 / d / d;
    }
    constexpr double kSecondsDecoding = 0.005;
    constexpr double kSecondsLooking = 0.37;
    char size[24];
    std::snprintf(size, sizeof size, "%.0f", full);
    return std::to_string(photos.size()) + " frames, " + size +
           " megapixels: looking at them takes " + "about " +
           format_duration((kSecondsDecoding * full + kSecondsLooking * reduced) / workers);
}

}  // namespace

Survey survey(const std::vector<Photo>& photos, const std::vector<const Camera*>& camera_of,
              int threads, int64_t memory_bytes, const WorkHooks& hooks) {
    Survey result;
    result.frames.resize(photos.size());
    std::array<float, 256> linear{};
    for (size_t i = 0; i < linear.size(); ++i) {
        linear[i] = static_cast<float>(srgb_decode(static_cast<double>(i) / 255));
    }
    const int workers = workers_for(photos, threads, memory_bytes);
    if (hooks.note) hooks.note(forecast(photos, workers));
    std::vector<FramePixels> scratch(static_cast<size_t>(workers));
    WorkMeter meter("looking at the frames", photos.size(), hooks);
    for_each_index(photos.size(), workers, [&](size_t i, int worker) {
        const Photo& p = photos[i];
        SurveyFrame& f = result.frames[i];
        GreyImage grey;
        {
            ColourImage colour;
            read_both(p.frame_path, escaped(p.name), p.info, p.orientation,
                      reduction_for(p.info, kMostPixels), scratch[static_cast<size_t>(worker)],
                      grey, colour);
            JpegEncoder encoder(80, JpegChroma::c420);
            make_thumbnail(colour, encoder, f);
        }
        f.sharpness = mean_laplacian(grey);
        f.features = find_features(grey, camera_of[i]->width, camera_of[i]->height, kMostFeatures);
        const double d = grey.denominator;
        for (const Feature& feature : f.features.points) {
            const auto [detail, light] = measure(grey, feature.x / d, feature.y / d, linear);
            f.detail.push_back(detail);
            f.light.push_back(light);
        }
        meter.advance();
    });
    scratch.clear();

    std::vector<FeatureSet> sets;
    for (SurveyFrame& f : result.frames) sets.push_back(std::move(f.features));
    std::vector<std::pair<size_t, size_t>> pairs = similar_pairs(sets, kPartners, threads);
    for (size_t i = 0; i + 1 < photos.size(); ++i) pairs.emplace_back(i, i + 1);
    for (size_t i = 0; i + 2 < photos.size(); ++i) pairs.emplace_back(i, i + 2);
    std::sort(pairs.begin(), pairs.end());
    pairs.erase(std::unique(pairs.begin(), pairs.end()), pairs.end());
    std::vector<std::vector<PairLink>> found(pairs.size());
    WorkMeter pairing("comparing frames", pairs.size(), hooks);
    for_each_index(pairs.size(), threads, [&](size_t k, int) {
        const auto [a, b] = pairs[k];
        RegisterOptions options;
        options.candidates = 1;
        found[k] = register_pair(a, b, sets[a], sets[b], *camera_of[a], *camera_of[b], options);
        pairing.advance();
    });
    for (std::vector<PairLink>& links : found) {
        if (!links.empty() && links.front().accepted) {
            result.links.push_back(std::move(links.front()));
        }
    }
    for (size_t i = 0; i < sets.size(); ++i) result.frames[i].features = std::move(sets[i]);
    return result;
}

std::vector<Displacement> displacements(const Survey& survey) {
    std::vector<Displacement> list;
    for (const PairLink& link : survey.links) {
        const Vec3 axis = link.a_from_b.axis();
        Displacement d;
        d.a = link.a;
        d.b = link.b;
        d.right_deg = std::atan2(axis.x, axis.z) * kDegPerRad;
        d.up_deg = std::asin(std::clamp(-axis.y, -1.0, 1.0)) * kDegPerRad;
        d.weight = static_cast<double>(link.matches.size());
        list.push_back(d);
    }
    return list;
}

std::vector<Finding> odd_frames(const Survey& survey, const std::vector<Photo>& photos,
                                const std::vector<bool>& considered) {
    // The same things seen in two frames: how much sharper and brighter one shows them.
    std::vector<std::vector<double>> sharper(photos.size());
    std::vector<std::vector<double>> brighter(photos.size());
    for (const PairLink& link : survey.links) {
        if (!considered[link.a] || !considered[link.b]) continue;
        const auto value_at = [&](const SurveyFrame& f, Vec2 p) -> std::optional<size_t> {
            for (size_t i = 0; i < f.features.points.size(); ++i) {
                const Feature& q = f.features.points[i];
                if (q.x == static_cast<float>(p.x) && q.y == static_cast<float>(p.y)) return i;
            }
            return std::nullopt;
        };
        std::vector<double> detail;
        std::vector<double> light;
        const SurveyFrame& fa = survey.frames[link.a];
        const SurveyFrame& fb = survey.frames[link.b];
        for (const Match& m : link.matches) {
            const auto i = value_at(fa, m.a);
            const auto j = value_at(fb, m.b);
            if (!i || !j) continue;
            constexpr float kLeast = 1e-4F;
            detail.push_back(
                0.5 * std::log2(std::max(fa.detail[*i], 1.0F) / std::max(fb.detail[*j], 1.0F)));
            light.push_back(
                std::log2(std::max(fa.light[*i], kLeast) / std::max(fb.light[*j], kLeast)));
        }
        if (detail.size() < 8) continue;
        const double d = upper_median(detail);
        const double l = upper_median(light);
        sharper[link.a].push_back(d);
        sharper[link.b].push_back(-d);
        brighter[link.a].push_back(l);
        brighter[link.b].push_back(-l);
    }
    std::vector<Finding> findings;
    const auto middle = [](std::vector<double> v) {
        // Of an even number the one nearer to nothing: a single odd neighbour accuses nobody.
        std::sort(v.begin(), v.end());
        const double high = v[v.size() / 2];
        const double low = v[(v.size() - 1) / 2];
        return std::abs(low) < std::abs(high) ? low : high;
    };
    char text[80];
    for (size_t i = 0; i < photos.size(); ++i) {
        if (sharper[i].empty()) continue;
        // Half the contrast of the finest detail: more than focus breathing or the lens's corners
        // make (common practice: such a frame is retaken).
        if (const double s = middle(sharper[i]); s < -1.0) {
            std::snprintf(text, sizeof text, "%.0f %% of its neighbours' finest detail",
                          100 * std::exp2(s));
            findings.push_back({photos[i].name, "sharpness", text, "as sharp as its neighbours",
                                "looks blurred; its part of the picture will be soft"});
        }
        if (const double b = middle(brighter[i]); std::abs(b) > 0.5) {
            std::snprintf(text, sizeof text, "%.1f stops %s than its neighbours", std::abs(b),
                          b > 0 ? "brighter" : "darker");
            findings.push_back({photos[i].name, "brightness", text, "as bright as its neighbours",
                                "evened out, but clipped lights stay lost and lifted shadows are "
                                "noisier"});
        }
    }
    return findings;
}

}  // namespace broadloom
