// make_seam_page OUT KIND: writes a page with its seams.js into the folder OUT for the browser
// test, and beside them `expected.json`: where places of the canvas lie in frames by this library's
// own cameras. KIND: sphere, cylinder, ring, part (a piece of the ring across its edge),
// shifted (frames whose pixels are moved by a few) or hostile.
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <random>
#include <string>

#include "blend/label_grid.hpp"
#include "broadloom/canvas.hpp"
#include "broadloom/scene.hpp"
#include "io/page.hpp"
#include "io/web_text.hpp"
#include "render/seam_view.hpp"

using namespace broadloom;

namespace {

/// Frames in rows and columns, looking a little astray, with a lens that bends.
Scene make_scene(int rows, int columns, double step_yaw, double step_pitch, double first_yaw) {
    Scene scene;
    Camera camera;
    camera.width = 900;
    camera.height = 600;
    camera.focal_px = 1100;
    camera.principal_point_px = Vec2{455.5, 296.25};
    camera.radial = {-0.12, 0.03, 0.004};
    camera.tangential = {0.0012, -0.0008};
    scene.cameras["main"] = camera;
    std::mt19937 random(7);
    const auto astray = [&] { return static_cast<double>(random() % 1000) / 1000 - 0.5; };
    for (int row = 0; row < rows; ++row) {
        for (int column = 0; column < columns; ++column) {
            Frame frame;
            char name[40];
            std::snprintf(name, sizeof name, "frames/%04d.jpg", row * columns + column + 1);
            frame.file = name;
            frame.camera = "main";
            frame.row = row;
            frame.column = column;
            frame.yaw_deg = first_yaw + column * step_yaw + astray();
            frame.pitch_deg = (0.5 * (rows - 1) - row) * step_pitch + astray();
            frame.roll_deg = 4 * astray();
            scene.frames.push_back(frame);
        }
    }
    scene.frames[2].use = false;  // numbers of frames and of used ones differ
    scene.frames[2].reason = "blurred";
    return scene;
}

std::vector<size_t> used_frames(const Scene& scene) {
    std::vector<size_t> used;
    for (size_t i = 0; i < scene.frames.size(); ++i) {
        if (scene.frames[i].use) used.push_back(i);
    }
    return used;
}

struct View {
    Lens lens;
    Rotation rotation;
};

std::vector<View> views_of(const Scene& scene) {
    std::vector<View> views;
    for (const size_t i : used_frames(scene)) {
        const Frame& f = scene.frames[i];
        views.push_back({Lens(scene.cameras.at(f.camera)),
                         Rotation::from_yaw_pitch_roll_deg(*f.yaw_deg, *f.pitch_deg, f.roll_deg)});
    }
    return views;
}

/// The nearest axis among the frames in view, with borders that wave.
LabelGrid make_grid(const Scene& scene) {
    const Canvas canvas = make_canvas(scene, 0.125);
    LabelGrid grid(canvas);
    const std::vector<View> views = views_of(scene);
    for (int64_t y = 0; y < grid.height; ++y) {
        for (int64_t x = 0; x < grid.width; ++x) {
            const Vec3 d =
                canvas.direction(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5);
            double best = -1;
            for (size_t k = 0; k < views.size(); ++k) {
                const double wave = 0.004 * std::sin(0.31 * static_cast<double>(x + 2 * y) +
                                                     static_cast<double>(k));
                const double near = dot(views[k].rotation.axis(), d) / norm(d) + wave;
                if (near > best && views[k].lens.in_view(views[k].rotation.to_camera(d))) {
                    best = near;
                    grid.frame[grid.index(x, y)] = static_cast<int16_t>(k);
                }
            }
        }
    }
    return grid;
}

/// Shifts of up to 6 px, other ones in each frame; the first frame stays.
std::vector<FrameFields> make_fields(size_t frames) {
    std::mt19937 random(13);
    std::vector<FrameFields> fields(frames);
    for (size_t k = 1; k < frames; ++k) {
        fields[k].shift_grid = {9, 7};
        for (size_t i = 0; i < fields[k].shift_grid.size(); ++i) {
            fields[k].dx.push_back(static_cast<float>(random() % 1200) / 100 - 6);
            fields[k].dy.push_back(static_cast<float>(random() % 1200) / 100 - 6);
        }
    }
    return fields;
}

/// Where random places lie in every frame that could see them.
std::string expected_json(const Scene& scene, const Canvas& canvas,
                          const std::vector<FrameFields>& fields) {
    const std::vector<View> views = views_of(scene);
    std::mt19937 random(11);
    std::string text = "[";
    for (int i = 0; i < 400; ++i) {
        const double x =
            static_cast<double>(random() % 100000) / 1e5 * static_cast<double>(canvas.width);
        const double y =
            static_cast<double>(random() % 100000) / 1e5 * static_cast<double>(canvas.height);
        const Vec3 d = canvas.direction(x, y);
        text += (i > 0 ? ",\n" : "\n") + std::string("{\"x\":") + json_number(x) +
                ",\"y\":" + json_number(y) + ",\"frames\":[";
        bool first = true;
        for (size_t k = 0; k < views.size(); ++k) {
            const Vec3 c = views[k].rotation.to_camera(d);
            std::optional<Vec2> p = views[k].lens.project(c);
            if (!p) continue;
            bool in_view = views[k].lens.in_view(c);
            if (!fields.empty()) {
                const Vec2 shift = fields[k].shift(p->x, p->y, 900, 600);
                p = Vec2{p->x + shift.x, p->y + shift.y};
                in_view = p->x >= 0.5 && p->x <= 899.5 && p->y >= 0.5 && p->y <= 599.5;
            }
            text += std::string(first ? "" : ",") + "{\"number\":" + std::to_string(k) +
                    ",\"x\":" + json_number(p->x) + ",\"y\":" + json_number(p->y) +
                    ",\"in_view\":" + (in_view ? "true" : "false") + '}';
            first = false;
        }
        text += "]}";
    }
    return text + "]\n";
}

/// A part of a sphere's canvas, from (x, y) on.
Canvas part_of(const Canvas& whole, int64_t from, int64_t y, int64_t width, int64_t height) {
    Canvas part = whole;
    part.top_deg -= static_cast<double>(y) / whole.pixels_per_degree;
    part.height = height;
    part.bottom_deg = part.top_deg - static_cast<double>(height) / whole.pixels_per_degree;
    part.left_deg += static_cast<double>(from) / whole.pixels_per_degree;
    part.width = width;
    part.right_deg = part.left_deg + static_cast<double>(width) / whole.pixels_per_degree;
    part.wraps = false;
    return part;
}

void write(const std::filesystem::path& file, const std::string& text) {
    std::ofstream out(file, std::ios::binary);
    out << text;
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 3) return 2;
    const std::filesystem::path folder = argv[1];
    const std::string kind = argv[2];
    const bool round = kind == "ring" || kind == "part";
    Scene scene = round ? make_scene(2, 14, 360.0 / 14, 22, -170) : make_scene(3, 4, 27, 19, 130);
    scene.canvas.pixels_per_degree = 14;
    if (kind == "cylinder") scene.canvas.surface = Surface::cylinder;
    PageData page;
    page.title = "Quarry above the weir";
    page.credit = "Ada Thornfield";
    if (kind == "hostile") {
        const std::string bad =
            "</script><script>window.x=1</script><img src=x onerror=\"window.x=2\">\"});"
            "window.x=3;({\"\xE2\x80\xA8\xE2\x80\xA9\x01\n\\\xFF__proto__";
        for (Frame& frame : scene.frames) frame.file = bad + frame.file.substr(7);
        page.title = page.credit = page.rights = bad;
    }
    Canvas canvas = make_canvas(scene, 1);
    const LabelGrid grid = make_grid(scene);
    std::vector<FrameFields> fields;
    if (kind == "shifted") fields = make_fields(used_frames(scene).size());
    if (kind == "part") canvas = part_of(canvas, canvas.width - 701, 37, 1501, canvas.height - 80);
    page.width = canvas.width;
    page.height = canvas.height;
    page.tile = 256;
    page.surface = canvas.surface == Surface::sphere ? "sphere" : "cylinder";
    page.left_deg = canvas.left_deg;
    page.right_deg = canvas.right_deg;
    page.top_deg = canvas.top_deg;
    page.bottom_deg = canvas.bottom_deg;
    page.pixels_per_degree = canvas.pixels_per_degree;
    page.wraps = canvas.wraps;
    page.seams = true;
    write(folder / "index.html", make_page(page));
    write(folder / "seams.js", seam_view_script(scene, canvas, grid, fields));
    write(folder / "expected.json", expected_json(scene, canvas, fields));
    std::printf("{\"width\":%lld,\"height\":%lld,\"tile\":256,\"overlap\":0}\n",
                static_cast<long long>(canvas.width), static_cast<long long>(canvas.height));
    return 0;
}
