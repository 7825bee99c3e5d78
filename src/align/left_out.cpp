#include "align/left_out.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "align/pair_search.hpp"
#include "align/photometric_solve.hpp"
#include "base/median.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "io/frame_colours.hpp"
#include "match/convert_colours.hpp"
#include "scene/rotation_math.hpp"

namespace broadloom {
namespace {

/// A direction in the world and where the frame shows it.
struct Sighting {
    Vec3 direction;
    Vec2 pixel;
};

/// The rotation that shows the directions where they were seen, by Gauss-Newton with Huber's
/// weights from a start nearby.
Rotation fit_rotation(const Lens& lens, Rotation r, const std::vector<Sighting>& sightings) {
    constexpr double kHuberPx = 1.0;
    constexpr double kStep = 1e-6;
    for (int round = 0; round < 20; ++round) {
        std::array<std::array<double, 4>, 3> n{};  // normal equations, right side last
        for (const Sighting& s : sightings) {
            const auto at = lens.project(r.to_camera(s.direction));
            if (!at) continue;
            const std::array<double, 2> e{s.pixel.x - at->x, s.pixel.y - at->y};
            std::array<std::array<double, 3>, 2> j{};
            bool whole = true;
            for (size_t k = 0; k < 3; ++k) {
                const Vec3 small{k == 0 ? kStep : 0, k == 1 ? kStep : 0, k == 2 ? kStep : 0};
                const auto moved = lens.project((rotation_exp(small) * r).to_camera(s.direction));
                whole = whole && moved;
                if (!whole) break;
                j[0][k] = (moved->x - at->x) / kStep;
                j[1][k] = (moved->y - at->y) / kStep;
            }
            if (!whole) continue;
            const double size = std::hypot(e[0], e[1]);
            const double weight = size <= kHuberPx ? 1 : kHuberPx / size;
            for (size_t i = 0; i < 3; ++i) {
                for (size_t k = 0; k < 3; ++k) {
                    n[i][k] += weight * (j[0][i] * j[0][k] + j[1][i] * j[1][k]);
                }
                n[i][3] += weight * (j[0][i] * e[0] + j[1][i] * e[1]);
            }
        }
        // Elimination; three directions in different places make it regular.
        for (size_t i = 0; i < 3; ++i) {
            if (std::abs(n[i][i]) < 1e-9) return r;
            for (size_t k = i + 1; k < 3; ++k) {
                const double f = n[k][i] / n[i][i];
                for (size_t c = i; c < 4; ++c) n[k][c] -= f * n[i][c];
            }
        }
        std::array<double, 3> d{};
        for (size_t i = 3; i-- > 0;) {
            d[i] = n[i][3];
            for (size_t k = i + 1; k < 3; ++k) d[i] -= n[i][k] * d[k];
            d[i] /= n[i][i];
        }
        r = rotation_exp({d[0], d[1], d[2]}) * r;
        if (std::hypot(std::hypot(d[0], d[1]), d[2]) < 1e-10) break;
    }
    return r;
}

/// The take's gains from what used frames show of the same places.
std::optional<std::array<double, 3>> fit_gain(const std::vector<PhotometricSample>& samples,
                                              const Camera& own,
                                              const std::vector<const Camera*>& others,
                                              const std::vector<std::array<double, 3>>& gains) {
    const auto falloff = [](const Camera& c, float radius) {
        const double q = static_cast<double>(radius) * radius;
        return 1 + q * (c.vignetting[0] + q * (c.vignetting[1] + q * c.vignetting[2]));
    };
    std::array<std::vector<double>, 3> ratios;
    for (const PhotometricSample& s : samples) {
        for (size_t c = 0; c < 3; ++c) {
            const double mine = s.value_a[c] / falloff(own, s.radius_a);
            const double theirs = s.value_b[c] * gains[s.b][c] / falloff(*others[s.b], s.radius_b);
            if (mine > 0 && theirs > 0) ratios[c].push_back(std::log(theirs / mine));
        }
    }
    constexpr size_t kFew = 10;
    if (ratios[0].size() < kFew) return std::nullopt;
    return std::array<double, 3>{std::exp(upper_median(ratios[0])),
                                 std::exp(upper_median(ratios[1])),
                                 std::exp(upper_median(ratios[2]))};
}

}  // namespace

std::vector<PlacedTake> place_left_out(const Scene& scene, const FrameSet& set,
                                       const std::vector<FeatureSet>& features,
                                       const SolveResult& solution,
                                       const std::vector<std::array<double, 3>>& gains,
                                       const WorkHooks& hooks) {
    std::vector<size_t> takes;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        const Frame& f = scene.frames[i];
        if (!f.use && f.row && f.column) takes.push_back(i);
    }
    std::vector<PlacedTake> placed;
    if (takes.empty()) return placed;
    std::vector<const Camera*> camera_of;
    for (const AlignFrame& f : set.frames) camera_of.push_back(&solution.cameras[f.camera]);
    FramePixels scratch;
    WorkMeter meter("placing frames that are left out", takes.size(), hooks);
    for (const size_t index : takes) {
        meter.advance();
        const Frame& frame = scene.frames[index];
        std::optional<size_t> mate;
        for (size_t k = 0; k < set.frames.size(); ++k) {
            const Frame& other = scene.frames[set.frames[k].scene_index];
            if (other.row == frame.row && other.column == frame.column && solution.rotations[k]) {
                mate = k;
            }
        }
        if (!mate) continue;
        PlacedTake take;
        take.scene_index = index;
        take.rotation = *solution.rotations[*mate];
        take.gain = gains[*mate];
        const auto name_at =
            std::find(set.camera_names.begin(), set.camera_names.end(), frame.camera);
        const auto camera_index = static_cast<size_t>(name_at - set.camera_names.begin());
        const Camera& camera = solution.cameras[camera_index];
        try {
            const std::filesystem::path path = scene.path_of(frame);
            const std::string name = escaped(frame.file);
            FrameInfo info = probe_frame(path, name);
            const auto stage = FrameColours(ColourSpace::srgb).add(info);
            const int orientation =
                frame.orientation ? static_cast<int>(*frame.orientation) : info.orientation;
            GreyImage grey;
            ColourImage colour;
            read_both(path, name, info, orientation, reduction_for(info, kFeaturePixels), scratch,
                      grey, colour);
            if (stage != nullptr) convert_colours(*stage, colour);
            constexpr size_t kMostFeatures = 2000;
            const FeatureSet own = find_features(grey, camera.width, camera.height, kMostFeatures);
            std::vector<Sighting> sightings;
            std::vector<PhotometricSample> samples;
            for (size_t k = 0; k < set.frames.size(); ++k) {
                if (!solution.rotations[k]) continue;
                const Rotation from_other = take.rotation.inverse() * *solution.rotations[k];
                constexpr double kNear = 0.7;  // of the frame's own view
                const double view =
                    2 * std::atan(0.5 * static_cast<double>(camera.width) / camera.focal_px);
                if (rotation_angle(from_other) > kNear * view) continue;
                RegisterOptions options;
                options.candidates = 1;
                options.predicted = from_other;
                options.prior_deg = 3;
                const auto links =
                    register_pair(0, 1, own, features[k], camera, *camera_of[k], options);
                if (links.empty() || !links.front().accepted) continue;
                const Lens lens(*camera_of[k]);
                for (const Match& m : links.front().matches) {
                    const auto ab = lens.undistort(m.b);
                    if (!ab) continue;
                    sightings.push_back({solution.rotations[k]->to_world({ab->x, ab->y, 1}), m.a});
                }
            }
            constexpr size_t kFew = 12;
            if (sightings.size() >= kFew) {
                take.rotation = fit_rotation(Lens(camera), take.rotation, sightings);
                take.by_matches = true;
            }
            const AlignFrame& f = set.frames[*mate];
            const ColourImage mate_colour =
                read_light(f, reduction_for(f.info, kFeaturePixels), scratch);
            constexpr size_t kMostSamples = 300;
            samples = sample_overlap(0, *mate, colour, mate_colour, camera, *camera_of[*mate],
                                     take.rotation, *solution.rotations[*mate], kMostSamples);
            if (const auto gain = fit_gain(samples, camera, camera_of, gains)) take.gain = *gain;
        } catch (const Error& e) {
            if (e.code() != ErrorCode::input) throw;
        }
        placed.push_back(take);
    }
    return placed;
}

}  // namespace broadloom
