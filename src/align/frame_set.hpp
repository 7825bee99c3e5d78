/// The frames of a scene that take part in an alignment, with their files' headers, and how the
/// memory is divided among what is kept of them.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "align/image_cache.hpp"
#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"
#include "image/colour_stage.hpp"
#include "match/features.hpp"
#include "match/reduced_frame.hpp"

namespace broadloom {

struct AlignFrame {
    size_t scene_index = 0;
    std::filesystem::path path;
    std::string name;  ///< printable
    FrameInfo info;
    int orientation = 1;
    size_t camera = 0;  ///< into FrameSet::cameras
    std::optional<Rotation> predicted;
    /// To sRGB, in which frames' light is compared; null: the frame is in sRGB.
    std::shared_ptr<const ColourStage> stage;
};

struct FrameSet {
    std::vector<AlignFrame> frames;  ///< used frames, in the scene's order
    std::vector<std::string> camera_names;
    std::vector<Camera> cameras;
    bool grid = false;  ///< every frame has a row and a column
};

/// A frame's colours at about 1/`denominator` of its size, in sRGB. Throws as read_colour().
ColourImage read_light(const AlignFrame& frame, int denominator, FramePixels& scratch);

/// Reads the headers of the used frames. Throws Error{input}; all bad frames are told together.
FrameSet open_frames(const Scene& scene);

/// How an alignment divides its memory.
struct AlignMemory {
    int feature_workers = 1, pair_workers = 1;
    size_t features_per_frame = 0;
    size_t grey_bytes = 0;    ///< for keeping reduced grey frames
    size_t colour_bytes = 0;  ///< for keeping small colour frames, later
};
/// Throws Error{usage} with the least that would do.
AlignMemory divide_memory(const FrameSet& set, int threads, int64_t memory_bytes);

/// About how long aligning will take, seconds.
double forecast_seconds(const FrameSet& set, const AlignMemory& memory);

/// At most this many pixels: for finding features, for measuring places, for exposure.
inline constexpr int64_t kFeaturePixels = 1'700'000;
inline constexpr int64_t kMeasurePixels = 6'500'000;
inline constexpr int64_t kColourPixels = 420'000;

/// Reads the frames once for features; grey frames at kMeasurePixels go to `greys` as far as they
/// fit.
std::vector<FeatureSet> read_features(const FrameSet& set, const AlignMemory& memory,
                                      ImageCache<GreyImage>& greys, const WorkHooks& hooks);

/// Half the size in both directions, by means of 2 x 2; an odd last row or column is dropped.
GreyImage halved(const GreyImage& image);

}  // namespace broadloom
