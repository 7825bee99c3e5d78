#include "align/crops.hpp"

#include <algorithm>
#include <cmath>

#include "base/process_memory.hpp"
#include "io/jpeg_codec.hpp"

namespace broadloom {
namespace {

constexpr int64_t kSide = 300;

/// How far two windows of `side` pixels move together so that each stays in its frame.
int64_t common_shift(int64_t first, int64_t first_size, int64_t second, int64_t second_size,
                     int64_t side) {
    const int64_t low = std::max(-first, -second);
    const int64_t high = std::min(first_size - side - first, second_size - side - second);
    return low > high ? low : std::clamp<int64_t>(0, low, high);
}

/// The pixels from (x0, y0) on, moved into the frame where they are not.
std::string crop(const AlignFrame& f, const Camera& camera, int64_t x0, int64_t y0,
                 FramePixels& scratch, int64_t width, int64_t height) {
    x0 = std::clamp<int64_t>(x0, 0, camera.width - width);
    y0 = std::clamp<int64_t>(y0, 0, camera.height - height);
    const ColourImage image =
        read_colour_piece(f.path, f.name, f.info, f.orientation, x0, y0, width, height, scratch);
    std::vector<uint8_t> rgbx(static_cast<size_t>(width * height * 4));
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            const uint16_t* p = image.at(x, y);
            for (size_t c = 0; c < 3; ++c) {
                rgbx[static_cast<size_t>((y * width + x) * 4) + c] =
                    static_cast<uint8_t>((p[c] + 128) / 257);
            }
        }
    }
    JpegEncoder encoder(88, JpegChroma::c444);
    const auto jpeg = encoder.encode(rgbx.data(), width, height, width * 4);
    return {reinterpret_cast<const char*>(jpeg.data()), jpeg.size()};
}

}  // namespace

std::vector<PairCrops> cut_crops(const FrameSet& set, const SolveResult& solution,
                                 const std::vector<PairLink>& links, const AlignReport& report,
                                 size_t most, int64_t memory_bytes) {
    int64_t need = 0;
    for (const AlignFrame& f : set.frames) {
        need = std::max(
            need, static_cast<int64_t>(frame_bytes(f.info, 1) + frame_decode_bytes(f.info, 1)));
    }
    if (resident_bytes() + need > memory_bytes) return {};
    // Reports stand in the order of those links that both frames have a place for.
    std::vector<const PairLink*> placed;
    for (const PairLink& link : links) {
        if (solution.rotations[link.a] && solution.rotations[link.b]) placed.push_back(&link);
    }
    std::vector<size_t> order;
    for (size_t i = 0; i < report.pairs.size() && i < placed.size(); ++i) order.push_back(i);
    std::stable_sort(order.begin(), order.end(), [&](size_t x, size_t y) {
        const PairReport& p = report.pairs[x];
        const PairReport& q = report.pairs[y];
        if (p.weak != q.weak) return p.weak;
        return p.rms_px > q.rms_px;
    });
    if (order.size() > most) order.resize(most);
    std::vector<PairCrops> crops;
    FramePixels scratch;
    for (const size_t k : order) {
        const PairLink& link = *placed[k];
        const AlignFrame& a = set.frames[link.a];
        const AlignFrame& b = set.frames[link.b];
        const Match* worst = nullptr;
        double largest = -1;
        for (const Match& m : link.matches) {
            const auto e = reprojection(solution.cameras[a.camera], *solution.rotations[link.a],
                                        solution.cameras[b.camera], *solution.rotations[link.b], m);
            if (e && std::hypot(e->x, e->y) > largest) {
                largest = std::hypot(e->x, e->y);
                worst = &m;
            }
        }
        if (worst == nullptr) continue;
        PairCrops c;
        c.pair = k;
        const Camera& camera_a = solution.cameras[a.camera];
        const Camera& camera_b = solution.cameras[b.camera];
        c.width = std::min({kSide, camera_a.width, camera_b.width});
        c.height = std::min({kSide, camera_a.height, camera_b.height});
        const int64_t xa = std::llround(worst->a.x) - c.width / 2;
        const int64_t ya = std::llround(worst->a.y) - c.height / 2;
        const int64_t xb = std::llround(worst->b.x) - c.width / 2;
        const int64_t yb = std::llround(worst->b.y) - c.height / 2;
        const int64_t dx = common_shift(xa, camera_a.width, xb, camera_b.width, c.width);
        const int64_t dy = common_shift(ya, camera_a.height, yb, camera_b.height, c.height);
        c.jpeg_a = crop(a, camera_a, xa + dx, ya + dy, scratch, c.width, c.height);
        c.jpeg_b = crop(b, camera_b, xb + dx, yb + dy, scratch, c.width, c.height);
        crops.push_back(std::move(c));
    }
    return crops;
}

}  // namespace broadloom
