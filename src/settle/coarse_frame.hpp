/// The frames as the coarse solution sees them: each over the part of a coarse canvas that it
/// touches. What is decided here (seams, left-over exposure, small shifts) is a function of the
/// scene and its files alone, and serves drafts and full renders of any scale and crop.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <vector>

#include "broadloom/canvas.hpp"
#include "broadloom/rect.hpp"

namespace broadloom {

/// The scene's whole canvas at 1/step of its own resolution.
struct CoarseCanvas {
    Canvas canvas;
    int step = 1;  ///< full-size canvas pixels a coarse one, 1, 2, 4, 8 or 16
};

/// What is known of a coarse pixel, bits. A pixel without kCovered has no values.
enum CoarseFlag : uint8_t {
    kCovered = 1,  ///< its centre lies in the frame and outside masks that leave out
    kClipped = 2,  ///< too bright or too dark in the file to tell exposure by
    kKeep = 4,     ///< its centre lies in a mask that keeps this frame
};

struct CoarseFrame {
    /// Coarse canvas pixels, whole cells of 16 px; y may reach beyond the canvas, and x too: on a
    /// canvas that wraps it is taken modulo the width (x0 in [0, width)), elsewhere nothing beyond
    /// the canvas is covered.
    Rect rect;
    std::vector<uint8_t> flags;                 ///< CoarseFlag, row by row
    std::array<std::vector<int16_t>, 3> value;  ///< R, G, B, working values, corrected
    std::vector<uint8_t> detail;  ///< fine contrast around the pixel, levels of the file; sharper
                                  ///< is larger

    [[nodiscard]] size_t index(int64_t x, int64_t y) const {
        return static_cast<size_t>((y - rect.y0) * rect.width() + (x - rect.x0));
    }
};

/// All used frames, by index; held in memory or on disk.
class CoarseFrames {
  public:
    CoarseFrames() = default;
    CoarseFrames(const CoarseFrames&) = delete;
    CoarseFrames& operator=(const CoarseFrames&) = delete;
    virtual ~CoarseFrames() = default;
    [[nodiscard]] virtual size_t count() const = 0;
    [[nodiscard]] virtual Rect rect(size_t frame) const = 0;
    /// From any thread. Throws Error{machine} when it was on disk and cannot be read.
    [[nodiscard]] virtual std::shared_ptr<const CoarseFrame> get(size_t frame) const = 0;
};

}  // namespace broadloom
