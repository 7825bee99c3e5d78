/// The oracle of the block renderer: the whole canvas at once, with plain loops over whole arrays.
/// Shared with the renderer are the cell lattice's coordinates, the plain sampling kernel (filter
/// taps and rounding) and the rounding rules of the pyramid; labels, composite, edges, pyramids,
/// weights and sums are written anew and know nothing of blocks, halos or skipped work.
///
/// The blended picture is C + collapse(sum_i w_i^l L^l(D_i)), C the hard cut, D_i = S_i - C where
/// frame i covers a pixel that it does not own and 0 elsewhere, w_i the reduced owner mask.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "broadloom/canvas.hpp"
#include "canvas/frame_geometry.hpp"
#include "image/frame_sampler.hpp"

namespace broadloom::test {

class WholeCanvas {
  public:
    WholeCanvas(const Canvas& canvas, const std::vector<FrameGeometry>& geometry,
                const std::vector<FrameSampler>& samplers, std::array<uint8_t, 3> background);

    /// 4 bytes a pixel, R, G, B, 255, dithered unless told otherwise.
    [[nodiscard]] std::vector<uint8_t> hard_cut() const;
    [[nodiscard]] std::vector<uint8_t> blended(int bands) const;

    /// 4 samples a pixel, R, G, B, alpha, blended in floats.
    [[nodiscard]] std::vector<uint16_t> hard_cut_deep() const;
    [[nodiscard]] std::vector<uint16_t> blended_deep(int bands) const;
    /// How far the blend would change a pixel that no frame covers, levels.
    [[nodiscard]] double correction_on_background(int bands) const;
    void set_dither(bool on) { dithered_ = on; }

    /// The classic form in double precision: at every level sum_i w_i L(S_i) / sum_i w_i,
    /// collapsed; where a frame does not cover, S_i is the composite. 3 values a pixel, 0..255, not
    /// rounded.
    [[nodiscard]] std::vector<double> blended_in_doubles(int bands) const;

    /// The frame shown at a pixel; -1: none.
    [[nodiscard]] int source(int64_t x, int64_t y) const { return source_[index(x, y)]; }
    /// The frame whose weight holds there; -1: none.
    [[nodiscard]] int owner(int64_t x, int64_t y) const { return owner_[index(x, y)]; }
    [[nodiscard]] bool covers(int frame, int64_t x, int64_t y) const {
        return frames_[static_cast<size_t>(frame)].covered[index(x, y)] != 0;
    }
    [[nodiscard]] int64_t width() const { return canvas_.width; }
    [[nodiscard]] int64_t height() const { return canvas_.height; }

  private:
    struct WarpedFrame {
        std::vector<uint8_t> covered, kept;
        std::array<std::vector<int16_t>, 3> value;
        std::array<std::vector<float>, 3> deep;
        std::vector<double> score;
        double cone_cos = 0;
    };
    [[nodiscard]] size_t index(int64_t x, int64_t y) const {
        return static_cast<size_t>(y * canvas_.width + x);
    }
    void warp(const FrameGeometry& geometry, const FrameSampler& sampler, WarpedFrame& out) const;
    void choose_labels();
    template <typename Sum, typename Value, typename Planes>
    std::array<std::vector<Value>, 3> blend(int bands,
                                            const std::array<std::vector<Value>, 3>& composite,
                                            const Planes& planes_of, Sum one,
                                            double* largest_on_background = nullptr) const;
    [[nodiscard]] std::vector<uint8_t> to_bytes(
        const std::array<std::vector<int16_t>, 3>& value) const;
    [[nodiscard]] std::vector<uint16_t> to_sixteen(
        const std::array<std::vector<float>, 3>& value) const;

    Canvas canvas_;
    std::vector<WarpedFrame> frames_;
    std::vector<int> source_, owner_;
    std::array<std::vector<int16_t>, 3> composite_;
    std::array<std::vector<float>, 3> deep_composite_;
    bool dithered_ = true;
};

}  // namespace broadloom::test
