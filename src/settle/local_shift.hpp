/// What is left between neighbours after alignment (wind, shimmer, a pivot slightly off: a few
/// pixels) is measured on small patches where frames overlap and taken out by a smooth shift of
/// each frame. Displacements come from normalised correlation and a least-squares refinement after
/// B. D. Lucas and T. Kanade, "An iterative image registration technique", IJCAI 1981; the shifts
/// of all frames from one robust least-squares solve.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <vector>

#include "canvas/frame_fields.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"
#include "image/kernels.hpp"
#include "settle/coarse_frame.hpp"

namespace broadloom {

/// Side of a patch, patch pixels.
inline constexpr int kPatchSide = 64;

/// What a frame shows around a lattice point: encoded luma, corrected by its gains and vignetting,
/// on the plane that touches the sphere there (x along the parallel, y down).
struct Patch {
    int64_t column = 0, row = 0;
    std::vector<uint8_t> grey;  ///< kPatchSide rows of kPatchSide
};

/// Points fixed to the canvas, in rows of equal latitude, about a twelfth of a frame's shorter side
/// apart, and the frames that show all of a patch around them. A point that one frame alone shows
/// belongs to none.
struct PatchLattice {
    struct Point {
        int64_t column = 0, row = 0;
        friend bool operator==(const Point&, const Point&) = default;
        friend bool operator<(const Point& a, const Point& b) {
            return a.row != b.row ? a.row < b.row : a.column < b.column;
        }
    };
    int scale = 1;            ///< full-size canvas pixels a patch pixel: step / 4 within 1..2
    double pixel_rad = 0;     ///< a patch pixel at the patch's centre
    double row_step_deg = 0;  ///< between rows
    double left_deg = 0, width_deg = 0, top_deg = 0;
    std::vector<int64_t> columns;            ///< of each row; evenly spaced from left_deg on
    std::vector<std::vector<Point>> points;  ///< of each frame, by rows, then columns

    /// The point's direction, unit length.
    [[nodiscard]] Vec3 direction(const Point& point) const;
    /// The direction seen at an offset from the point, patch pixels; not of unit length.
    [[nodiscard]] Vec3 direction(const Point& point, double x, double y) const;
};

PatchLattice patch_lattice(const CoarseCanvas& coarse, const std::vector<FrameGeometry>& frames);

/// The patches of one decoded frame, as lattice.points[frame]. `geometry` has no fields.
std::vector<Patch> cut_patches(const PatchLattice& lattice, size_t frame,
                               const FrameGeometry& geometry, const FrameSampler& sampler,
                               const Kernels& kernels);

/// The patches of all frames; held in memory or on disk.
class PatchSource {
  public:
    PatchSource() = default;
    PatchSource(const PatchSource&) = delete;
    PatchSource& operator=(const PatchSource&) = delete;
    virtual ~PatchSource() = default;
    /// As cut_patches gave them. From any thread.
    [[nodiscard]] virtual std::shared_ptr<const std::vector<Patch>> get(size_t frame) const = 0;
};

struct ShiftReport {
    size_t pairs = 0;   ///< pairs of frames with a displacement that was used
    size_t points = 0;  ///< displacements used
    size_t frames = 0;  ///< frames with a shift
    /// Root mean square of the displacements used, full-size frame pixels.
    double rms_before_px = 0, rms_after_px = 0;
};

/// Shifts of all frames; a frame with too few matches has none. No pixel is moved farther than
/// `limit_px`, in full-size frame pixels; 0 or less: all fields are empty. Depends on nothing but
/// the patches: not on the number of threads.
std::vector<FrameFields> solve_shifts(const PatchLattice& lattice,
                                      const std::vector<FrameGeometry>& frames,
                                      const PatchSource& patches, double limit_px, int threads,
                                      ShiftReport* report = nullptr);

}  // namespace broadloom
