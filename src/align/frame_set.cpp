#include "align/frame_set.hpp"

#include <algorithm>
#include <map>
#include <utility>

#include "base/errors.hpp"
#include "base/parallel.hpp"
#include "base/process_memory.hpp"
#include "base/text.hpp"
#include "base/work_meter.hpp"
#include "broadloom/error.hpp"
#include "io/frame_colours.hpp"
#include "match/convert_colours.hpp"

namespace broadloom {

ColourImage read_light(const AlignFrame& frame, int denominator, FramePixels& scratch) {
    ColourImage image =
        read_colour(frame.path, frame.name, frame.info, frame.orientation, denominator, scratch);
    if (frame.stage != nullptr) convert_colours(*frame.stage, image);
    return image;
}

FrameSet open_frames(const Scene& scene) {
    FrameSet set;
    std::map<std::string, size_t> camera_index;
    for (const auto& [name, camera] : scene.cameras) {
        camera_index[name] = set.cameras.size();
        set.camera_names.push_back(name);
        set.cameras.push_back(camera);
    }
    std::vector<Error> errors;
    FrameColours colours(ColourSpace::srgb);
    set.grid = true;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        const Frame& frame = scene.frames[i];
        if (!frame.use) continue;
        AlignFrame f;
        f.scene_index = i;
        f.path = scene.path_of(frame);
        f.name = escaped(frame.file);
        f.camera = camera_index.at(frame.camera);
        if (frame.yaw_deg && frame.pitch_deg) {
            f.predicted =
                Rotation::from_yaw_pitch_roll_deg(*frame.yaw_deg, *frame.pitch_deg, frame.roll_deg);
        }
        set.grid = set.grid && frame.row && frame.column;
        try {
            f.info = probe_frame(f.path, f.name);
            f.stage = colours.add(f.info);
            f.orientation =
                frame.orientation ? static_cast<int>(*frame.orientation) : f.info.orientation;
            FrameInfo upright = f.info;
            upright.orientation = f.orientation;
            const Camera& camera = set.cameras[f.camera];
            if (upright.upright_width() != camera.width ||
                upright.upright_height() != camera.height) {
                throw Error(ErrorCode::input,
                            f.name + " is " + std::to_string(upright.upright_width()) + " x " +
                                std::to_string(upright.upright_height()) +
                                " pixels upright, but camera \"" + escaped(frame.camera) +
                                "\" says " + std::to_string(camera.width) + " x " +
                                std::to_string(camera.height) +
                                "; gather the set again, or correct the camera in the scene");
            }
        } catch (const Error& e) {
            errors.push_back(e);
        }
        set.frames.push_back(std::move(f));
    }
    throw_together(errors, "frames");
    if (set.frames.size() < 2) {
        throw Error(ErrorCode::input,
                    "the scene has " + std::to_string(set.frames.size()) +
                        " used frames, but aligning needs two or more; set \"use\" to \"yes\" for "
                        "the frames that count");
    }
    return set;
}

AlignMemory divide_memory(const FrameSet& set, int threads, int64_t memory_bytes) {
    constexpr int64_t kSlack = 64 << 20;
    constexpr int64_t kSolver = 400 << 10;  // a frame: matches, residuals, normal equations
    constexpr int64_t kFeatureBytes = kDescriptorBytes + sizeof(Feature);
    const auto count = static_cast<int64_t>(set.frames.size());
    int64_t decode = 0;
    int64_t grey = 0;
    for (const AlignFrame& f : set.frames) {
        const int d = reduction_for(f.info, kMeasurePixels);
        decode = std::max(decode, static_cast<int64_t>(reduced_frame_bytes(f.info, d)));
        grey = std::max(grey, f.info.stored_width * f.info.stored_height / d / d);
    }
    const int64_t fixed = resident_bytes() + kSlack + count * kSolver;
    const int64_t feature_worker = decode + static_cast<int64_t>(feature_work_bytes());
    // By the number of frames alone: the result must not depend on the budget.
    const int64_t most_features =
        std::clamp<int64_t>(500'000 / std::max<int64_t>(count, 1), 600, 2500);
    const int64_t features = count * most_features * kFeatureBytes;
    // One worker at either stage, and four grey frames to compare.
    const int64_t least = fixed + features + std::max(feature_worker, decode + 4 * grey);
    if (least > memory_bytes) {
        throw Error(ErrorCode::usage, "--memory: " + format_bytes(memory_bytes) +
                                          " is too little for these frames; give at least " +
                                          least_budget_text(least));
    }
    AlignMemory m;
    const int64_t room = memory_bytes - fixed - features;
    m.features_per_frame = static_cast<size_t>(most_features);
    m.feature_workers =
        static_cast<int>(std::clamp<int64_t>(room / feature_worker, 1, int64_t{threads}));
    m.pair_workers =
        static_cast<int>(std::clamp<int64_t>(room / (decode + 4 * grey), 1, int64_t{threads}));
    m.grey_bytes = static_cast<size_t>(std::max<int64_t>(
        0,
        room - std::max(m.feature_workers * feature_worker, m.pair_workers * (decode + 2 * grey))));
    m.colour_bytes = static_cast<size_t>(std::max<int64_t>(0, room - m.pair_workers * decode));
    return m;
}

double forecast_seconds(const FrameSet& set, const AlignMemory& memory) {
    // Per megapixel and frame, from what it took on a server processor of 2024.
    constexpr double kSecondsDecoding = 0.010;
    constexpr double kSecondsFeatures = 0.37;
    constexpr double kSecondsFrame = 0.08;
    double seconds = 0;
    for (const AlignFrame& f : set.frames) {
        const auto pixels = static_cast<double>(f.info.stored_width * f.info.stored_height) / 1e6;
        double reduced = pixels;
        while (reduced * 1e6 > static_cast<double>(kFeaturePixels)) reduced /= 4;
        seconds += kSecondsDecoding * pixels + kSecondsFeatures * reduced + kSecondsFrame;
    }
    return seconds / memory.feature_workers;
}

GreyImage halved(const GreyImage& image) {
    GreyImage h = image;
    h.width = image.width / 2;
    h.height = image.height / 2;
    h.denominator = image.denominator * 2;
    h.pixels.assign(static_cast<size_t>(h.width * h.height), 0);
    for (int64_t y = 0; y < h.height; ++y) {
        const uint8_t* above = image.pixels.data() + 2 * y * image.width;
        const uint8_t* below = above + image.width;
        uint8_t* to = h.pixels.data() + y * h.width;
        for (int64_t x = 0; x < h.width; ++x) {
            to[x] = static_cast<uint8_t>(
                (above[2 * x] + above[2 * x + 1] + below[2 * x] + below[2 * x + 1] + 2) / 4);
        }
    }
    return h;
}

std::vector<FeatureSet> read_features(const FrameSet& set, const AlignMemory& memory,
                                      ImageCache<GreyImage>& greys, const WorkHooks& hooks) {
    std::vector<FeatureSet> features(set.frames.size());
    WorkMeter meter("finding features", set.frames.size(), hooks);
    for_each_index(set.frames.size(), memory.feature_workers, [&](size_t i, int worker) {
        const AlignFrame& f = set.frames[i];
        const Camera& camera = set.cameras[f.camera];
        const std::shared_ptr<const GreyImage> grey = greys.get(i, worker);
        GreyImage small;
        const GreyImage* image = grey.get();
        while (image->width * image->height > kFeaturePixels) {
            small = halved(*image);
            image = &small;
        }
        features[i] = find_features(*image, camera.width, camera.height, memory.features_per_frame);
        meter.advance();
    });
    return features;
}

}  // namespace broadloom
