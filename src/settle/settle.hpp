/// What is decided once for a scene, at low resolution, before it is rendered: small shifts that
/// make neighbours meet, an even light, and which frame each place is taken from. A function of the
/// scene and its files alone: drafts and full renders of any scale and crop share it.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "blend/label_grid.hpp"
#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"
#include "canvas/frame_fields.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/kernels.hpp"
#include "settle/survey.hpp"

namespace broadloom {

struct SettleOptions {
    bool fine_seams = true;
    double shift_limit_px = 6;  ///< 0: no shifts
    bool even_light = true;

    /// Whether anything is to be decided that needs a look at the frames.
    [[nodiscard]] bool any() const { return fine_seams || shift_limit_px > 0 || even_light; }
};

/// What came of it, for people.
struct SettleSummary {
    int step = 1;                                    ///< full-size canvas pixels a coarse one
    uint64_t shift_points = 0;                       ///< places where neighbours were compared
    uint64_t shifted_frames = 0;                     ///< frames that are moved somewhere
    double apart_before_px = 0, apart_after_px = 0;  ///< RMS over those places, frame pixels
    uint64_t lit_frames = 0;
    double light_before_stops = 0, light_after_stops = 0;  ///< RMS of what overlaps differ by
};

struct Settled {
    std::vector<FrameFields> fields;          ///< as the used frames; without effect where empty
    std::shared_ptr<const LabelGrid> labels;  ///< null: the simple rule
    SettleSummary summary;
};

/// Equal for equal solutions: scene, files, options and program version; hexadecimal.
std::string settle_key(const Scene& scene, const std::vector<SettleFrame>& frames,
                       const SettleOptions& options, std::string_view version);

struct SettleLimits {
    int threads = 1;
    int64_t memory_bytes = 0;       ///< for this step, besides what the process holds already
    std::filesystem::path scratch;  ///< a working file may be made there
};

/// Decides. `geometry` has no fields. The result depends on neither threads nor memory.
Settled settle(const Scene& scene, const std::vector<SettleFrame>& frames,
               const std::vector<FrameGeometry>& geometry, const SettleOptions& options,
               const SettleLimits& limits, const Kernels& kernels, const WorkHooks& hooks);

/// The simple rule's labels on the coarse canvas, for showing them.
LabelGrid nearest_centre_grid(const CoarseCanvas& coarse,
                              const std::vector<FrameGeometry>& geometry, const Kernels& kernels);

/// Bytes that settle() cannot do without, and that it leaves on disk for its duration at most.
int64_t settle_least_bytes(const std::vector<SettleFrame>& frames, const CoarseCanvas& coarse);

/// As a file: lossless, with the key and a checksum.
std::string pack_settled(const Settled& settled, std::string_view key);
/// Reads one back. Throws Error{input} naming `name` when it is damaged or of another scene.
Settled unpack_settled(std::string_view bytes, std::string_view key, const std::string& name);

}  // namespace broadloom
