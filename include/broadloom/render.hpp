/// Renders a scene to deep-zoom tiles, a pyramidal TIFF and a page, out of core.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/instruction_set.hpp"
#include "broadloom/scene.hpp"
#include "broadloom/work.hpp"

namespace broadloom {

enum class Pass { draft, full };
enum class Chroma { c420, c444 };
/// Which frame a place is taken from: `fine` seams go round what differs between frames; `simple`
/// ones lie half-way between the frames' centres.
enum class Seams { fine, simple };
/// What the TIFF holds where no frame is: the background colour, or transparency.
enum class Uncovered { background, alpha };
/// The TIFF's colour space; tiles are sRGB always.
enum class OutputColour { srgb, display_p3, adobe_rgb };

/// The part of the canvas that is rendered: the same pixels as in a render of the whole.
struct Crop {
    enum class Kind { none, inside, degrees, pixels };
    Kind kind = Kind::none;  ///< inside: the largest rectangle without bare pixels
    /// Longitudes and latitudes, or pixels of the whole canvas at this scale; not for `inside`.
    double left = 0, top = 0, right = 0, bottom = 0;
};

struct RenderOptions {
    std::filesystem::path out;  ///< the folder; absent or empty before
    Pass pass = Pass::full;
    std::optional<double> scale;          ///< absent: 1 for full, 0.5 for draft
    std::optional<int64_t> memory_bytes;  ///< absent: half of the machine's memory
    int threads = 0;                      ///< 0: all processors
    int64_t tile = 512, overlap = 0;      ///< tile: even, 16..4096; overlap: 0..tile/4
    int quality = 90;                     ///< JPEG, 1..100
    Chroma chroma = Chroma::c420;
    std::optional<int> bands;  ///< reductions, 1..8; absent: from the frame size
    std::array<uint8_t, 3> background{46, 46, 46};  ///< sRGB; where no frame covers the canvas
    Seams seams = Seams::fine;
    double shift_limit_px = 6;  ///< most that a frame's pixels are moved to meet; 0: not at all
    bool even_light = true;     ///< spread what exposure is left over across the overlaps
    std::filesystem::path
        like;  ///< a result whose seams and corrections are used; empty: found anew
    std::optional<int> tiff_bits;  ///< 8 or 16; absent: 16 when a frame has 16
    Uncovered uncovered = Uncovered::background;
    OutputColour colour = OutputColour::srgb;
    Crop crop;
    bool show_seams = false;  ///< the page can show which frame each place is from
    bool location = false;    ///< carry where the frames were taken into the outputs
    InstructionSet instruction_set = InstructionSet::automatic;
    int64_t block =
        0;  ///< side of a blended block, a multiple of 16; 0: chosen; bytes do not change
    bool resume = false;  ///< finish an interrupted render of the same scene
};

/// What a render will need, told before it starts.
struct RenderPlan {
    Canvas canvas;
    int64_t frames_used = 0, frames_left_out = 0;
    int64_t tiles = 0;
    int levels = 0;
    int bands = 0;  ///< 0 for a draft
    int tiff_bits = 8;
    std::string tiff_colour;  ///< as on the command line: srgb, display-p3, adobe-rgb
    bool tiff_alpha = false;
    int64_t tiff_bytes = 0;  ///< estimate, upper side; part of disk_bytes
    int threads = 0;
    int64_t memory_budget_bytes = 0;
    int64_t least_memory_bytes = 0;  ///< the smallest workable budget, one thread
    int64_t disk_bytes = 0;          ///< estimate, upper side
    int64_t free_disk_bytes = 0;
    double seconds = 0;           ///< estimate, from a short measurement of this processor
    int64_t mask_gap_pixels = 0;  ///< that frames would cover if no mask left anything out
    std::vector<std::string> notes;
};

struct RenderReport {
    std::string pass, version;
    int64_t width = 0, height = 0;
    double megapixels = 0;
    int64_t frames = 0;
    int64_t mask_gap_pixels = 0;    ///< as in the plan
    double decoded_megapixels = 0;  ///< pixels that came out of decoders, scaled decodes as such
    int64_t decodes = 0;
    int bands = 0;
    bool fine_seams = false;
    int64_t compared_places = 0;                           ///< in overlaps, for small shifts
    double apart_before_px = 0, apart_after_px = 0;        ///< RMS there, frame pixels
    double light_before_stops = 0, light_after_stops = 0;  ///< RMS of what overlaps differ by
    int tiff_bits = 8;
    std::string tiff_colour;
    bool tiff_alpha = false;
    int64_t memory_budget_bytes = 0, peak_memory_bytes = 0;
    int threads = 0;
    std::string instruction_set;
    double seconds = 0;
    std::map<std::string, double> stage_seconds;  ///< summed over the threads
    bool already_finished = false;  ///< the folder held this very result; nothing was rendered
    /// With `resume` every file of such a result is compared with its checksum, and what is damaged
    /// is built again.
    int64_t repaired_tiles = 0, repaired_files = 0;
};

/// How a caller watches and stops a render; besides progress, notes and the stop: what it will
/// need.
struct RenderHooks : WorkHooks {
    std::function<void(const RenderPlan&)> planned;
};

/// Checks everything that can be checked without decoding pixels (options, files, sizes, disk,
/// memory) and says what the render will need. Throws Error.
RenderPlan plan_render(const Scene& scene, const RenderOptions& options);

/// Renders. Either everything is in place under its final name afterwards, or an Error was thrown
/// and nothing stands under a final name. The bytes of the outputs (report.json apart) depend on
/// the scene, the frames and pass, scale, tile, overlap, quality, chroma, bands and background
/// only.
RenderReport render(const Scene& scene, const RenderOptions& options,
                    const RenderHooks& hooks = {});

/// The program's version, like "0.1.0".
const char* version();

}  // namespace broadloom
