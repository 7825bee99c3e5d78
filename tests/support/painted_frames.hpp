/// Frames painted from a made-up world that is known exactly, held in memory, and their render: for
/// tests of what light does at seams.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <memory>
#include <vector>

#include "blend/block.hpp"
#include "broadloom/canvas.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"

namespace broadloom::test {

/// Linear light, R, G, B, 1 = white and more, at a longitude and latitude in degrees.
using PaintedWorld = std::function<std::array<double, 3>(double, double)>;

struct PaintedShot {
    double yaw_deg = 0, pitch_deg = 0;
    std::array<double, 3> gain{1, 1, 1};       ///< what the scene says
    std::array<double, 3> true_gain{0, 0, 0};  ///< what the camera did; zeros: the scene is right
};

class PaintedSet {
  public:
    /// Frames without lens errors: E = world / true gain, cut off at white, encoded, rounded to 8
    /// or 16 bits.
    PaintedSet(const Canvas& canvas, const Camera& camera, const PaintedWorld& world,
               const std::vector<PaintedShot>& shots, bool sixteen_bits = false);

    /// Samplers may be changed before rendering.
    std::vector<FrameSampler> samplers;

    /// 4 bytes a pixel, seams by the nearest centre.
    [[nodiscard]] std::vector<uint8_t> render(const BlockOptions& options,
                                              const Kernels& kernels) const;
    /// 4 samples a pixel, 16-bit.
    [[nodiscard]] std::vector<uint16_t> render_deep(const BlockOptions& options,
                                                    const Kernels& kernels) const;
    /// The world's light, cut off at black and white, encoded, 0..255: 3 values a canvas pixel.
    [[nodiscard]] std::vector<double> truth(const PaintedWorld& world) const;

    [[nodiscard]] const Canvas& canvas() const { return canvas_; }

  private:
    template <typename Sample>
    [[nodiscard]] std::vector<Sample> rendered(const BlockOptions& options,
                                               const Kernels& kernels) const;

    Canvas canvas_;
    std::vector<FrameGeometry> geometry_;
    std::vector<std::vector<uint8_t>> pixels_;  ///< three planes a frame
};

}  // namespace broadloom::test
