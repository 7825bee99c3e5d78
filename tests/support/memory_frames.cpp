#include "support/memory_frames.hpp"

#include <algorithm>
#include <cmath>
#include <cstring>

namespace broadloom::test {

namespace {

/// Samples around a plane that the kernels may touch: borders, and rows past the end that vector
/// code reads into.
constexpr int64_t kBorder = 8;

uint64_t mix(uint64_t x) {  // the finaliser of SplitMix64
    x += 0x9e3779b97f4a7c15ULL;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9ULL;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebULL;
    return x ^ (x >> 31);
}

}  // namespace

uint64_t Dice::next() { return mix(state_++); }
double Dice::between(double low, double high) {
    return low + (high - low) * (static_cast<double>(next() >> 11) / 9007199254740992.0);
}
int64_t Dice::whole(int64_t low, int64_t high) {
    return low + static_cast<int64_t>(next() % static_cast<uint64_t>(high - low + 1));
}

MemoryFrame::MemoryFrame(const Camera& camera, const Frame& frame, int orientation, Layout layout,
                         uint64_t seed)
    : geometry_(camera, frame, orientation) {
    const int64_t width = geometry_.stored_width();
    const int64_t height = geometry_.stored_height();
    const bool wide = layout == Layout::rgb_16;
    const int64_t bytes = wide ? 2 : 1;
    sampler_.planes = layout == Layout::grey ? 1 : 3;
    sampler_.ycc = layout == Layout::ycc_444 || layout == Layout::ycc_420;
    sampler_.chroma_linear = layout == Layout::ycc_420;
    sampler_.sixteen_bits = wide;
    sampler_.photometric = geometry_.photometric();
    sampler_.width = width;
    sampler_.height = height;
    for (size_t c = 0; c < 3; ++c) {
        sampler_.gain_g[c] = static_cast<float>(geometry_.gain()[c]);
        sampler_.gain_h[c] = static_cast<float>(std::pow(geometry_.gain()[c], 1 / 2.4));
    }
    Dice dice(seed * 977);
    for (size_t i = 0; i < static_cast<size_t>(sampler_.planes); ++i) {
        const int step = layout == Layout::ycc_420 && i > 0 ? 2 : 1;
        const int64_t w = (width + step - 1) / step;
        const int64_t h = (height + step - 1) / step;
        const int64_t stride = (w + 2 * kBorder + 32) * bytes;
        std::vector<uint8_t>& plane = planes_[i];
        plane.assign(static_cast<size_t>(stride * (h + 2 * kBorder + 2)), 0);
        const bool chroma = sampler_.ycc && i > 0;
        const double level = dice.between(chroma ? 110 : 60, chroma ? 146 : 190);
        const double swing = chroma ? 12 : 45;
        const double fx = dice.between(0.02, 0.2);
        const double fy = dice.between(0.02, 0.2);
        const double grain = chroma ? 3 : 22;
        for (int64_t y = -kBorder; y < h + kBorder; ++y) {
            for (int64_t x = -kBorder; x < w + kBorder; ++x) {
                const auto px = static_cast<double>(std::clamp<int64_t>(x, 0, w - 1));
                const auto py = static_cast<double>(std::clamp<int64_t>(y, 0, h - 1));
                const uint64_t key = mix(seed * 31 + i) ^ (static_cast<uint64_t>(px) << 20) ^
                                     static_cast<uint64_t>(py);
                const double noise = static_cast<double>(mix(key) >> 11) / 9007199254740992.0 - 0.5;
                double v =
                    level + swing * std::sin(fx * px + 1.7) * std::cos(fy * py) + grain * noise;
                // Hard edges up to black and white, which overshoot in the filters.
                if ((static_cast<int64_t>(px) / 37 + static_cast<int64_t>(py) / 29) % 5 == 0 &&
                    !chroma) {
                    v = noise > 0.45 ? 255 : v * 0.4;
                }
                v = std::clamp(v, 0.0, 255.0);
                uint8_t* out = plane.data() + (y + kBorder) * stride + (x + kBorder) * bytes;
                if (wide) {
                    const auto value = static_cast<uint16_t>(std::lround(v * 257));
                    std::memcpy(out, &value, 2);
                } else {
                    *out = static_cast<uint8_t>(std::lround(v));
                }
            }
        }
        sampler_.plane[i] = {plane.data() + kBorder * stride + kBorder * bytes, stride, step, step};
    }
}

void MadeUpCanvas::add(const Camera& camera, double yaw, double pitch, double roll,
                       std::array<double, 3> gain, Layout layout, uint64_t seed, int orientation) {
    Frame frame;
    frame.camera = "main";
    frame.file = std::to_string(frames.size());
    frame.yaw_deg = yaw;
    frame.pitch_deg = pitch;
    frame.roll_deg = roll;
    frame.gain = gain;
    cameras.push_back(camera);
    frames.push_back(frame);
    pixels.push_back(std::make_unique<MemoryFrame>(camera, frame, orientation, layout, seed));
    geometry.push_back(pixels.back()->geometry());
    samplers.push_back(pixels.back()->sampler());
}

void MadeUpCanvas::repeat(size_t index) {
    const Camera camera = cameras[index];
    const Frame frame = frames[index];
    const FrameGeometry shape = geometry[index];
    const FrameSampler sampler = samplers[index];
    cameras.push_back(camera);
    frames.push_back(frame);
    geometry.push_back(shape);
    samplers.push_back(sampler);
}

Canvas canvas_between(Surface surface, double left, double right, double top, double bottom,
                      double pixels_per_degree) {
    Canvas c;
    c.surface = surface;
    c.left_deg = left;
    c.right_deg = right;
    c.top_deg = top;
    c.bottom_deg = bottom;
    c.pixels_per_degree = pixels_per_degree;
    c.width = std::llround((right - left) * pixels_per_degree);
    c.height = surface == Surface::sphere
                   ? std::llround((top - bottom) * pixels_per_degree)
                   : std::llround((std::tan(top * kRadPerDeg) - std::tan(bottom * kRadPerDeg)) *
                                  pixels_per_degree * kDegPerRad);
    return c;
}

Canvas canvas_around(Surface surface, double left, double top, double bottom, int64_t width) {
    Canvas c =
        canvas_between(surface, left, left + 360, top, bottom, static_cast<double>(width) / 360.0);
    c.width = width;
    c.wraps = true;
    return c;
}

}  // namespace broadloom::test
