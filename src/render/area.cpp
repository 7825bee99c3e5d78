#include "render/area.hpp"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "broadloom/error.hpp"
#include "canvas/crop.hpp"
#include "canvas/inner_crop.hpp"
#include "canvas/mask_gaps.hpp"

namespace broadloom {

namespace {

/// Interpolated positions differ from exact ones by less than this, px.
constexpr double kPositionMargin = 0.05;
/// Gaps that are told one by one.
constexpr size_t kMostGapNotes = 5;

std::string decimals(double value, int digits) {
    char text[64];
    std::snprintf(text, sizeof text, "%.*f", digits, value);
    return text;
}

/// "frame 0001.jpg and frame 0002.jpg", the first three of many.
std::string names_of(const std::vector<int>& frames, const RenderJob& job) {
    constexpr size_t kMost = 3;
    const size_t shown = frames.size() > kMost + 1 ? kMost : frames.size();
    std::string text;
    for (size_t i = 0; i < shown; ++i) {
        const bool last = i + 1 == shown && shown == frames.size();
        text += (i == 0 ? "" : last ? " and " : ", ");
        text += job.frames[static_cast<size_t>(frames[i])].name;
    }
    if (shown < frames.size()) {
        text += " and " + std::to_string(frames.size() - shown) + " more frames";
    }
    return text;
}

std::string place_of(const Canvas& canvas, Vec2 at) {
    const Vec3 d = canvas.direction(at.x, at.y);
    return "longitude " + decimals(std::atan2(d.x, d.z) * kDegPerRad, 2) + ", latitude " +
           decimals(std::atan2(-d.y, std::hypot(d.x, d.z)) * kDegPerRad, 2);
}

}  // namespace

Rect area_asked_for(const Canvas& whole, const Crop& crop) {
    const CropSides sides{crop.left, crop.top, crop.right, crop.bottom};
    switch (crop.kind) {
        case Crop::Kind::degrees:
            return crop_by_degrees(whole, sides);
        case Crop::Kind::pixels:
            return crop_by_pixels(whole, sides);
        default:
            return {0, 0, whole.width, whole.height};
    }
}

Rect inner_area(const RenderJob& job) {
    // Pixels of every frame may yet be moved by this much so that neighbours meet.
    const double limit = job.options.shift_limit_px;
    const double narrowed = limit > 0 ? limit + kPositionMargin : 0;
    std::vector<FrameGeometry> frames;
    frames.reserve(job.geometry.size());
    for (const FrameGeometry& g : job.geometry) frames.push_back(g.narrowed(narrowed));
    const Cover cover(job.canvas, frames, kernels_for(job.options.instruction_set));
    const std::optional<Rect> found = largest_covered(cover, job.options.threads);
    if (!found) {
        throw Error(ErrorCode::input,
                    "--crop inside: no pixel of the canvas is covered by a frame; correct the "
                    "canvas or the masks in the scene, or leave --crop out");
    }
    return *found;
}

std::string area_note(const RenderJob& job) {
    const double all =
        static_cast<double>(job.canvas.width) * static_cast<double>(job.canvas.height);
    const double cut = 100 * (1 - static_cast<double>(job.area.area()) / all);
    std::string note = "--crop: " + describe_part(job.canvas, job.area) + "; " + decimals(cut, 1) +
                       " % of the canvas is cut off";
    if (job.options.crop.kind == Crop::Kind::inside && job.options.shift_limit_px > 0) {
        note += "; it allows for small shifts of " + decimals(job.options.shift_limit_px, 1) +
                " px (--shift-limit 0 would leave more)";
    }
    return note;
}

void note_mask_gaps(RenderJob& job) {
    const MaskGaps found =
        find_mask_gaps(job.canvas, job.geometry, job.area, kernels_for(job.options.instruction_set),
                       job.options.threads);
    job.plan.mask_gap_pixels = found.pixels;
    if (found.gaps.empty()) return;
    const char* about = found.step > 1 ? "about " : "";
    for (size_t i = 0; i < std::min(found.gaps.size(), kMostGapNotes); ++i) {
        const MaskGap& gap = found.gaps[i];
        job.plan.notes.push_back(std::string("masks leave ") + about + std::to_string(gap.pixels) +
                                 " pixels bare around " + place_of(job.canvas, gap.centre) +
                                 ", where only " + names_of(gap.frames, job) +
                                 (gap.frames.size() == 1 ? " shows" : " show") +
                                 " the place; make the masks smaller there or add a frame");
    }
    const double share =
        100 * static_cast<double>(found.pixels) / static_cast<double>(job.area.area());
    if (found.gaps.size() > 1) {
        job.plan.notes.push_back(std::string("masks leave ") + about +
                                 std::to_string(found.pixels) + " pixels (" +
                                 decimals(share, share < 0.1 ? 3 : 1) + " %) bare at " +
                                 std::to_string(found.gaps.size()) + " places");
    }
}

}  // namespace broadloom
