/// Made-up frames held in memory, in every layout that a decoded file can have, and made-up
/// canvases with their frames, for tests of the warp and the blend that need no files.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "broadloom/canvas.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"

namespace broadloom::test {

/// A counter-based generator: numbers that are the same on every machine.
class Dice {
  public:
    explicit Dice(uint64_t seed) : state_(seed) {}
    uint64_t next();
    /// Uniform in [low, high).
    double between(double low, double high);
    /// Uniform in low..high.
    int64_t whole(int64_t low, int64_t high);

  private:
    uint64_t state_;
};

enum class Layout { rgb, ycc_444, ycc_420, grey, rgb_16 };

/// Pixels of a frame: waves, edges and grain about a level of its own, so that neighbours differ.
class MemoryFrame {
  public:
    MemoryFrame(const Camera& camera, const Frame& frame, int orientation, Layout layout,
                uint64_t seed);
    [[nodiscard]] const FrameGeometry& geometry() const { return geometry_; }
    [[nodiscard]] const FrameSampler& sampler() const { return sampler_; }

  private:
    FrameGeometry geometry_;
    std::array<std::vector<uint8_t>, 3> planes_;
    FrameSampler sampler_;
};

/// A canvas and the frames on it.
struct MadeUpCanvas {
    std::string name;
    Canvas canvas;
    std::vector<Camera> cameras;  ///< as frames
    std::vector<Frame> frames;
    std::vector<FrameGeometry> geometry;  ///< as frames
    std::vector<FrameSampler> samplers;   ///< as frames
    std::vector<std::unique_ptr<MemoryFrame>> pixels;

    explicit MadeUpCanvas(std::string title) : name(std::move(title)) {}
    /// Adds a frame; orientation as in EXIF, 1 for most.
    void add(const Camera& camera, double yaw, double pitch, double roll,
             std::array<double, 3> gain, Layout layout, uint64_t seed, int orientation = 1);
    /// Lists an earlier frame once more.
    void repeat(size_t index);
};

/// Canvases by their corners, in degrees; the size follows from the scale, wrapping from 360
/// degrees.
Canvas canvas_between(Surface surface, double left, double right, double top, double bottom,
                      double pixels_per_degree);
/// A canvas all the way round, `width` pixels (a multiple of 512) wide.
Canvas canvas_around(Surface surface, double left, double top, double bottom, int64_t width);

}  // namespace broadloom::test
