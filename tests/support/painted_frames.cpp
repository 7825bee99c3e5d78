#include "support/painted_frames.hpp"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "blend/seam_labels.hpp"
#include "broadloom/photometry.hpp"
#include "canvas/frame_index.hpp"

namespace broadloom::test {

namespace {

/// Samples around a plane that the kernels may touch.
constexpr int64_t kBorder = 8;

double encoded(double light) { return srgb_encode(std::clamp(light, 0.0, 1.0)); }

}  // namespace

PaintedSet::PaintedSet(const Canvas& canvas, const Camera& camera, const PaintedWorld& world,
                       const std::vector<PaintedShot>& shots, bool sixteen_bits)
    : canvas_(canvas) {
    const int64_t bytes = sixteen_bits ? 2 : 1;
    const int64_t stride = (camera.width + 2 * kBorder + 32) * bytes;
    const int64_t rows = camera.height + 2 * kBorder + 2;
    const double cx = static_cast<double>(camera.width) / 2;
    const double cy = static_cast<double>(camera.height) / 2;
    for (const PaintedShot& shot : shots) {
        Frame frame;
        frame.yaw_deg = shot.yaw_deg;
        frame.pitch_deg = shot.pitch_deg;
        frame.gain = shot.gain;
        geometry_.emplace_back(camera, frame, 1);
        const auto& taken = shot.true_gain[0] > 0 ? shot.true_gain : shot.gain;
        const Rotation turn = Rotation::from_yaw_pitch_roll_deg(shot.yaw_deg, shot.pitch_deg, 0);
        std::vector<uint8_t> planes(static_cast<size_t>(3 * stride * rows));
        for (int64_t y = -kBorder; y < camera.height + kBorder; ++y) {
            for (int64_t x = -kBorder; x < camera.width + kBorder; ++x) {
                const auto px = static_cast<double>(std::clamp<int64_t>(x, 0, camera.width - 1));
                const auto py = static_cast<double>(std::clamp<int64_t>(y, 0, camera.height - 1));
                const Vec3 d = normalized(turn.to_world(
                    {(px + 0.5 - cx) / camera.focal_px, (py + 0.5 - cy) / camera.focal_px, 1}));
                const auto light =
                    world(std::atan2(d.x, d.z) * kDegPerRad, -std::asin(d.y) * kDegPerRad);
                for (int64_t c = 0; c < 3; ++c) {
                    const auto channel = static_cast<size_t>(c);
                    const double v = encoded(light[channel] / taken[channel]);
                    uint8_t* out =
                        planes.data() + (c * rows + y + kBorder) * stride + (x + kBorder) * bytes;
                    if (sixteen_bits) {
                        const auto value = static_cast<uint16_t>(std::lround(v * 65535));
                        std::memcpy(out, &value, 2);
                    } else {
                        *out = static_cast<uint8_t>(std::lround(v * 255));
                    }
                }
            }
        }
        pixels_.push_back(std::move(planes));
        FrameSampler s;
        s.sixteen_bits = sixteen_bits;
        s.photometric = geometry_.back().photometric();
        s.width = camera.width;
        s.height = camera.height;
        for (size_t c = 0; c < 3; ++c) {
            s.gain_g[c] = static_cast<float>(shot.gain[c]);
            s.gain_h[c] = static_cast<float>(std::pow(shot.gain[c], 1 / 2.4));
            s.plane[c] = {pixels_.back().data() +
                              (static_cast<int64_t>(c) * rows + kBorder) * stride + kBorder * bytes,
                          stride, 1, 1};
        }
        samplers.push_back(s);
    }
}

template <typename Sample>
std::vector<Sample> PaintedSet::rendered(const BlockOptions& options,
                                         const Kernels& kernels) const {
    std::vector<Sample> out(static_cast<size_t>(canvas_.width * canvas_.height * 4));
    const FrameIndex index(canvas_, geometry_);
    BlockRenderer renderer(canvas_, options, kernels);
    constexpr int64_t kLeaf = 512;
    for (int64_t y = 0; y < canvas_.height; y += kLeaf) {
        for (int64_t x = 0; x < canvas_.width; x += kLeaf) {
            const Rect rect{x, y, std::min(x + kLeaf, canvas_.width),
                            std::min(y + kLeaf, canvas_.height)};
            const Rect area = block_surroundings(canvas_, rect, options.bands);
            const RegionMaps maps(canvas_, cells_of(area), geometry_,
                                  index.touching(aligned_outwards(area, kCell)));
            const LabelRegion labels = NearestCentreLabels().label(maps, kernels);
            std::vector<const FrameSampler*> pixels;
            for (const int k : maps.frames()) pixels.push_back(&samplers[static_cast<size_t>(k)]);
            Sample* at = out.data() + 4 * (y * canvas_.width + x);
            if constexpr (sizeof(Sample) == 1) {
                renderer.render(rect, maps, labels, pixels, at, 4 * canvas_.width);
            } else {
                renderer.render_deep(rect, maps, labels, pixels, at, 4 * canvas_.width);
            }
        }
    }
    return out;
}

std::vector<uint8_t> PaintedSet::render(const BlockOptions& options, const Kernels& kernels) const {
    return rendered<uint8_t>(options, kernels);
}

std::vector<uint16_t> PaintedSet::render_deep(const BlockOptions& options,
                                              const Kernels& kernels) const {
    return rendered<uint16_t>(options, kernels);
}

std::vector<double> PaintedSet::truth(const PaintedWorld& world) const {
    std::vector<double> out(static_cast<size_t>(canvas_.width * canvas_.height * 3));
    for (int64_t y = 0; y < canvas_.height; ++y) {
        for (int64_t x = 0; x < canvas_.width; ++x) {
            const double longitude =
                canvas_.left_deg + (static_cast<double>(x) + 0.5) / canvas_.pixels_per_degree;
            const double latitude =
                canvas_.top_deg - (static_cast<double>(y) + 0.5) / canvas_.pixels_per_degree;
            const auto light = world(longitude, latitude);
            for (size_t c = 0; c < 3; ++c) {
                out[3 * static_cast<size_t>(y * canvas_.width + x) + c] = 255 * encoded(light[c]);
            }
        }
    }
    return out;
}

}  // namespace broadloom::test
