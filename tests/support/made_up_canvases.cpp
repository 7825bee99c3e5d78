#include "support/made_up_canvases.hpp"

#include <algorithm>
#include <cmath>

namespace broadloom::test {

namespace {
constexpr std::array<double, 3> kNoGain{1, 1, 1};
}

Camera made_up_camera(int64_t width, int64_t height, double focal_px) {
    Camera c;
    c.width = width;
    c.height = height;
    c.focal_px = focal_px;
    return c;
}

MadeUpCanvas flat_sphere() {
    MadeUpCanvas m("flat sphere");
    m.canvas = canvas_between(Surface::sphere, -20, 19.85, 11, -9.15, 20);  // 797 x 403
    Camera large = made_up_camera(330, 250, 1150);
    large.radial = {-0.1, 0.02, 0};
    large.vignetting = {-0.25, 0.05, 0};
    const Camera small = made_up_camera(211, 173, 1010);
    m.add(large, -11, 5, 1, {1.1, 1, 0.95}, Layout::ycc_420, 1);
    m.add(large, 0.5, 4.2, -2, {0.9, 0.92, 0.9}, Layout::rgb, 2);
    m.add(large, 11, 5.5, 0, kNoGain, Layout::ycc_444, 3, 6);
    m.add(small, -8, -3.5, 0, kNoGain, Layout::rgb_16, 4);
    m.add(small, 1, -4, 4, {1.2, 1.2, 1.25}, Layout::grey, 5);
    m.add(large, 10, -4, 3, kNoGain, Layout::ycc_420, 6, 3);
    m.repeat(1);
    return m;
}

MadeUpCanvas covered_sphere() {
    MadeUpCanvas m("covered sphere");
    m.canvas = canvas_between(Surface::sphere, -14, 14, 6, -6, 20);  // 560 x 240
    const Camera camera = made_up_camera(320, 360, 1146);
    m.add(camera, -9, 0, 0, kNoGain, Layout::rgb, 11);
    m.add(camera, 0, 0.5, 1, {1.15, 1.1, 1.1}, Layout::rgb, 12);
    m.add(camera, 9, 0, -1, kNoGain, Layout::rgb, 13);
    return m;
}

MadeUpCanvas whole_sphere() {
    MadeUpCanvas m("whole sphere");
    m.canvas = canvas_around(Surface::sphere, -180, 90, -90, 1024);
    const Camera camera = made_up_camera(230, 190, 170);
    for (int i = 0; i < 6; ++i) {
        m.add(camera, -175 + 60.0 * i, i % 2 == 0 ? 18 : -12, 2.0 * i, {1 + 0.05 * i, 1, 1},
              i % 2 == 0 ? Layout::ycc_420 : Layout::rgb, 20 + static_cast<uint64_t>(i));
    }
    m.add(camera, 33, 78, 10, kNoGain, Layout::rgb, 30);
    m.add(camera, -120, -84, 0, {0.9, 0.9, 0.9}, Layout::ycc_444, 31);
    return m;
}

MadeUpCanvas small_sphere() {
    MadeUpCanvas m("small sphere");
    m.canvas = canvas_around(Surface::sphere, 20, 90, -30, 512);
    const Camera camera = made_up_camera(130, 110, 82);
    m.add(camera, 18, 10, 0, kNoGain, Layout::rgb, 41);
    m.add(camera, 70, 0, 0, {1.1, 1.1, 1.2}, Layout::rgb, 42);
    m.add(camera, -30, -5, 5, kNoGain, Layout::ycc_420, 43);
    m.add(camera, 100, 75, 40, kNoGain, Layout::rgb, 44);
    return m;
}

MadeUpCanvas flat_cylinder() {
    MadeUpCanvas m("flat cylinder");
    m.canvas = canvas_between(Surface::cylinder, -30, 31.3, 35, -20, 9);
    Camera barrel = made_up_camera(260, 340, 500);
    barrel.radial = {-0.3, 0.05, 0};
    barrel.tangential = {0.002, -0.001};
    Camera cushion = made_up_camera(300, 260, 520);
    cushion.radial = {0.3, 0, 0};
    cushion.vignetting = {-0.3, 0, 0.02};
    m.add(barrel, -18, 8, 3, kNoGain, Layout::rgb, 51);
    m.add(cushion, 0, 5, -4, {1.2, 1.1, 1}, Layout::ycc_420, 52);
    m.add(barrel, 17, 9, 20, kNoGain, Layout::ycc_444, 53, 8);
    m.add(cushion, 5, 25, 0, kNoGain, Layout::rgb, 54);
    return m;
}

MadeUpCanvas whole_cylinder() {
    MadeUpCanvas m("whole cylinder");
    m.canvas = canvas_around(Surface::cylinder, -90, 55, -40, 1024);
    const Camera camera = made_up_camera(240, 300, 170);
    for (int i = 0; i < 7; ++i) {
        m.add(camera, -170 + 50.0 * i, i % 3 == 0 ? 12 : 2, -3.0 * i, {1, 1, 1 + 0.04 * i},
              i % 2 == 0 ? Layout::rgb : Layout::ycc_420, 60 + static_cast<uint64_t>(i));
    }
    return m;
}

MadeUpCanvas meeting_frames() {
    MadeUpCanvas m("meeting frames");
    m.canvas = canvas_between(Surface::sphere, -13, 13, 10, -10, 16);  // 416 x 320
    const Camera camera = made_up_camera(280, 240, 917);
    for (int i = 0; i < 6; ++i) {
        const double angle = 60.0 * i * kRadPerDeg;
        m.add(camera, 5 * std::cos(angle), 4 * std::sin(angle), 7.0 * i,
              {0.85 + 0.06 * i, 1.1 - 0.03 * i, 1}, i % 2 == 0 ? Layout::rgb : Layout::ycc_420,
              80 + static_cast<uint64_t>(i));
    }
    return m;
}

std::vector<MadeUpCanvas> made_up_canvases() {
    std::vector<MadeUpCanvas> all;
    all.push_back(flat_sphere());
    all.push_back(whole_sphere());
    all.push_back(small_sphere());
    all.push_back(flat_cylinder());
    all.push_back(whole_cylinder());
    all.push_back(meeting_frames());
    return all;
}

Frame aimed(double yaw, double pitch, double roll) {
    Frame f;
    f.camera = "main";
    f.yaw_deg = yaw;
    f.pitch_deg = pitch;
    f.roll_deg = roll;
    return f;
}

Rect random_rect(const Canvas& canvas, Dice& dice) {
    const int64_t w = dice.whole(1, std::min<int64_t>(canvas.width, 300));
    const int64_t h = dice.whole(1, std::min<int64_t>(canvas.height, 200));
    const int64_t x = canvas.wraps ? dice.whole(-w, canvas.width) : dice.whole(0, canvas.width - w);
    const int64_t y = dice.whole(0, canvas.height - h);
    return {x, y, x + w, y + h};
}

}  // namespace broadloom::test
