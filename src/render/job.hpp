/// Everything about a render that is decided before the first pixel is decoded.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "blend/block.hpp"
#include "broadloom/render.hpp"
#include "canvas/frame_geometry.hpp"
#include "canvas/frame_index.hpp"
#include "image/colour_space.hpp"
#include "image/colour_stage.hpp"
#include "io/frame_reader.hpp"
#include "pyramid/quadtree.hpp"
#include "render/metadata.hpp"

namespace broadloom {

/// A used frame's file.
struct FrameInput {
    std::filesystem::path path;
    std::string name;  ///< printable, for messages
    FrameInfo info;
    int denominator = 1;  ///< decoded at 1/denominator
    double pixel_ratio =
        1;                 ///< decoded pixels a canvas pixel, in the frame's middle at the horizon
    int64_t same_as = -1;  ///< earlier input with the same file, whose pixels serve; -1: none
    size_t bytes = 0;      ///< decoded, resident
    size_t decode_bytes = 0;                   ///< besides, while decoding
    std::shared_ptr<const ColourStage> stage;  ///< to the working space's colours; null: the same
};

/// How the budget is divided. Bytes.
struct MemoryShares {
    size_t base = 0;        ///< program, libraries, scene, tables
    size_t per_thread = 0;  ///< buffers of one worker
    size_t shared = 0;      ///< parents under way, look-ahead, output buffers, without threads
    size_t frames = 0;      ///< the largest set of frames that one leaf needs at once
    [[nodiscard]] size_t fixed(int threads) const {
        return base + shared + per_thread * static_cast<size_t>(threads);
    }
};

/// What the TIFF's pixels are.
struct TiffKind {
    int bits = 8;
    bool alpha = false;
    ColourSpace colour = ColourSpace::srgb;
    /// Deflate instead of JPEG, which holds neither 16 bits nor alpha.
    [[nodiscard]] bool lossless() const { return bits == 16 || alpha; }
};

struct RenderJob {
    RenderOptions options;  ///< resolved: scale, memory, threads and bands are set
    TiffKind tiff;
    /// Working pictures are R, G, B, alpha of 16 bits in the TIFF's primaries, not R, G, B, unused
    /// of 8 bits in sRGB: where the TIFF needs it.
    bool deep = false;
    [[nodiscard]] int64_t pixel_bytes() const { return deep ? 8 : 4; }
    Canvas canvas;  ///< the whole one: frames, seams and blending know no other
    /// What is rendered: pixels of `canvas`; x1 may lie beyond its right edge where it wraps.
    Rect area;
    Canvas output;  ///< the canvas of the result, `area` of the whole
    PyramidShape shape;
    std::vector<FrameInput> frames;
    std::vector<FrameGeometry> geometry;  ///< as frames
    BlockOptions block;
    std::unique_ptr<Quadtree> tree;
    std::vector<std::vector<int>> leaf_frames;  ///< frames that a leaf likely needs, by leaf
    size_t most_candidates = 0;                 ///< frames whose cones meet at one leaf, at most
    MemoryShares memory;
    size_t frame_cache_bytes = 0;
    int64_t settle_bytes = 0;  ///< memory that the coarse solution cannot do without
    int64_t settle_disk_bytes = 0;
    double settle_seconds = 0;  ///< in units of decoding a megapixel
    size_t label_bytes = 0;     ///< what the seams hold while rendering
    PictureMetadata metadata;
    /// A node's pixels in `canvas`.
    [[nodiscard]] Rect area_of(const QuadNode& node) const {
        return tree->picture_rect(node).moved(area.x0, area.y0);
    }
    std::vector<bool> wanted;  ///< nodes of the tree that a repair renders; empty: all
    [[nodiscard]] bool wants(int64_t node) const {
        return wanted.empty() || wanted[static_cast<size_t>(node)];
    }
    RenderPlan plan;
    std::string identity;  ///< equal for equal outputs: scene, options, files, version; hexadecimal
};

/// The space whose primaries working pictures have: the TIFF's.
ColourSpace working_space(const RenderOptions& options);

/// Cells that a render may look ahead of the last committed leaf, for `threads` workers.
int look_ahead_leaves(int threads);

/// Prepares a render: options, canvas, frames' headers, walk, memory and disk. Throws Error; all
/// bad frames are reported together.
RenderJob prepare_job(const Scene& scene, const RenderOptions& options);

/// Divides the budget among threads and frames by what the leaves need (job.leaf_frames), and sets
/// the plan's figures that follow from it.
void divide_memory(RenderJob& job);

}  // namespace broadloom
