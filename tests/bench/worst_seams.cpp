// Finds the places where the seams of a finished result are seen most, to be looked at:
//
//   worst_seams RESULT_DIR OUT_DIR [OTHER_DIR]
//
// RESULT_DIR holds pano.tif and seams.js (render --show-seams). OUT_DIR (made when absent) gets,
// for each of the five worst places that lie at least 300 px apart (a quarter of the shorter side
// of a small picture), a crop of 600 x 400 px at 1:1 (worst1.png), the same with the seams drawn
// (worst1_seam.png), and all of them on one sheet, plain ones on the left (sheet.png). A line for
// each place goes to standard output: the place in pixels of pano.tif, the two frames, the measure
// and what it is made of.
//
// The measure, in levels of 8 bits: how much more the picture changes across a seam than along
// lines beside it. Seams are looked at in squares of 64 px; the change at a distance from the seam
// is the mean absolute difference of the pixels 2 px (and again 6 px) on its either side, over all
// channels and the length of the seam in the square; the most of it within 3 px of the seam (or
// half a cell of the labels, which is how well its place is known), less the mean of it 12 to 20 px
// away on both sides. A seam that runs along an edge of the scene scores as well. OTHER_DIR, the
// same scene rendered with other seams (--seams simple), takes those out: where it has no seam
// nearby, what it scores at the same place is subtracted.
#include <vips/vips.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <exception>
#include <filesystem>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "base/file_io.hpp"
#include "broadloom/rect.hpp"

namespace {

using namespace broadloom;
namespace fs = std::filesystem;

constexpr int64_t kWindow = 64;
constexpr int64_t kLeastLength = 32;  // of seam in a window, px
constexpr int64_t kNear = 3, kBesideFrom = 12, kBesideTo = 20;
constexpr std::array<int64_t, 2> kReach{2, 6};
constexpr int64_t kMargin = kBesideTo + 6;
constexpr size_t kWanted = 5;
constexpr int64_t kApart = 300;
constexpr int64_t kCropWidth = 600, kCropHeight = 400;

struct Release {
    void operator()(VipsImage* image) const { g_object_unref(image); }
};
using Image = std::unique_ptr<VipsImage, Release>;

[[noreturn]] void fail_vips() { throw std::runtime_error(vips_error_buffer()); }

/// What a libvips operation has made, or its error.
Image taken(int status, VipsImage* const& out) {
    if (status != 0) fail_vips();
    return Image(out);
}

Image open_picture(const fs::path& file) {
    Image image(vips_image_new_from_file(file.c_str(), nullptr));
    if (!image) fail_vips();
    VipsImage* out = nullptr;
    if (vips_image_hasalpha(image.get()) != 0)
        image = taken(vips_flatten(image.get(), &out, nullptr), out);
    if (image->BandFmt != VIPS_FORMAT_UCHAR)
        image = taken(vips_colourspace(image.get(), &out, VIPS_INTERPRETATION_sRGB, nullptr), out);
    if (image->Bands != 3 || image->BandFmt != VIPS_FORMAT_UCHAR)
        throw std::runtime_error(file.native() + ": not a picture in colours");
    return image;
}

/// A part of a picture.
struct Patch {
    Rect rect;
    std::vector<uint8_t> rgb;
    [[nodiscard]] size_t at(int64_t x, int64_t y) const {
        return static_cast<size_t>(3 * ((y - rect.y0) * rect.width() + x - rect.x0));
    }
};

Patch read_patch(const Image& image, const Rect& wanted) {
    Patch patch{intersect(wanted, Rect{0, 0, image->Xsize, image->Ysize}), {}};
    const Rect& r = patch.rect;
    VipsImage* out = nullptr;
    const Image part =
        taken(vips_extract_area(image.get(), &out, static_cast<int>(r.x0), static_cast<int>(r.y0),
                                static_cast<int>(r.width()), static_cast<int>(r.height()), nullptr),
              out);
    size_t size = 0;
    void* data = vips_image_write_to_memory(part.get(), &size);
    if (data == nullptr) fail_vips();
    const auto* bytes = static_cast<const uint8_t*>(data);
    patch.rgb.assign(bytes, bytes + size);
    g_free(data);
    return patch;
}

void write_png(const fs::path& file, std::vector<uint8_t>& rgb, int64_t width, int64_t height) {
    const Image image(vips_image_new_from_memory(rgb.data(), rgb.size(), static_cast<int>(width),
                                                 static_cast<int>(height), 3, VIPS_FORMAT_UCHAR));
    if (!image || vips_image_write_to_file(image.get(), file.c_str(), nullptr) != 0) fail_vips();
}

/// The labels of seams.js.
struct Seams {
    int64_t columns = 0, rows = 0;
    double left = 0, top = 0, cell_width = 1, cell_height = 1;
    std::vector<int> labels;  // -1: nobody
    std::vector<std::string> names;

    [[nodiscard]] int label(int64_t i, int64_t j) const {
        return labels[static_cast<size_t>(j * columns + i)];
    }
    /// The picture's pixel at which a cell begins.
    [[nodiscard]] int64_t x_of(int64_t i) const {
        return std::lround(left + static_cast<double>(i) * cell_width);
    }
    [[nodiscard]] int64_t y_of(int64_t j) const {
        return std::lround(top + static_cast<double>(j) * cell_height);
    }
};

/// Runs "label + 1 . length", base 36; rows end with ";", an empty one repeats the one before.
std::vector<int> unpack_runs(const std::string& runs, int64_t columns, int64_t rows) {
    std::vector<int> labels;
    const auto width = static_cast<size_t>(columns);
    size_t at = 0;
    for (int64_t row = 0; row < rows; ++row) {
        const size_t end = runs.find(';', at);
        if (end == std::string::npos) throw std::runtime_error("seams.js: rows are missing");
        if (end == at && row > 0) {
            labels.insert(labels.end(), labels.end() - static_cast<ptrdiff_t>(width), labels.end());
        }
        while (at < end) {
            size_t used = 0;
            const int label = std::stoi(runs.substr(at, 8), &used, 36) - 1;
            at += used + 1;
            const int length = std::stoi(runs.substr(at, 8), &used, 36);
            at += used;
            if (runs[at] == ' ') ++at;
            labels.insert(labels.end(), static_cast<size_t>(length), label);
        }
        at = end + 1;
        if (labels.size() != static_cast<size_t>(row + 1) * width)
            throw std::runtime_error("seams.js: a row has another length");
    }
    return labels;
}

Seams read_seams(const fs::path& file) {
    const std::string text = read_file_limited(file, size_t{1} << 28U);
    const size_t from = text.find('(');
    const size_t to = text.rfind(')');
    if (from == std::string::npos || to == std::string::npos)
        throw std::runtime_error(file.native() + ": no labels; render with --show-seams");
    const auto data = nlohmann::json::parse(text.substr(from + 1, to - from - 1));
    Seams s;
    s.columns = data.at("columns");
    s.rows = data.at("rows");
    s.left = data.at("left");
    s.top = data.at("top");
    s.cell_width = data.at("cell_width");
    s.cell_height = data.at("cell_height");
    for (const auto& frame : data.at("frames")) {
        s.names.push_back(fs::path(frame.at("file").get<std::string>()).filename().string());
    }
    s.labels = unpack_runs(data.at("runs"), s.columns, s.rows);
    return s;
}

/// A piece of seam: one edge of a cell, a line of the picture.
struct Edge {
    int64_t x0, y0, x1, y1;  // of equal x: upright
    [[nodiscard]] bool upright() const { return x0 == x1; }
    [[nodiscard]] int64_t length() const { return x1 - x0 + y1 - y0; }
};

struct Window {
    int first = 0, second = 0;  // frames
    std::vector<Edge> edges;
    int64_t length = 0;
    int64_t x = 0, y = 0;  // mean of the seam's
    double measure = 0, across = 0, beside = 0, other = 0;
    bool compared = false;
};

/// Calls body(edge, frame, frame) for all seams between two frames.
template <typename Body>
void for_edges(const Seams& s, const Body& body) {
    for (int64_t j = 0; j < s.rows; ++j) {
        for (int64_t i = 0; i < s.columns; ++i) {
            const int here = s.label(i, j);
            if (here < 0) continue;
            const auto visit = [&](int there, const Edge& edge) {
                if (there >= 0 && there != here)
                    body(edge, std::min(here, there), std::max(here, there));
            };
            if (i + 1 < s.columns) {
                const int64_t x = s.x_of(i + 1);
                visit(s.label(i + 1, j), {x, s.y_of(j), x, s.y_of(j + 1)});
            }
            if (j + 1 < s.rows) {
                const int64_t y = s.y_of(j + 1);
                visit(s.label(i, j + 1), {s.x_of(i), y, s.x_of(i + 1), y});
            }
        }
    }
}

std::vector<Window> windows_of(const Seams& s) {
    std::map<std::tuple<int64_t, int64_t, int, int>, Window> found;
    for_edges(s, [&](const Edge& e, int a, int b) {
        Window& w = found[{e.y0 / kWindow, e.x0 / kWindow, a, b}];
        w.first = a;
        w.second = b;
        w.edges.push_back(e);
        w.length += e.length();
    });
    std::vector<Window> windows;
    for (auto& [key, w] : found) {
        if (w.length < kLeastLength) continue;
        for (const Edge& e : w.edges) {
            w.x += (e.x0 + e.x1) / 2 * e.length();
            w.y += (e.y0 + e.y1) / 2 * e.length();
        }
        w.x /= w.length;
        w.y /= w.length;
        windows.push_back(std::move(w));
    }
    return windows;
}

/// What is seen of the seam, at most and beside it, for one reach.
std::pair<double, double> change_across(const Patch& patch, const Window& w, int64_t near,
                                        int64_t reach) {
    std::vector<double> sum(static_cast<size_t>(2 * kBesideTo + 1), 0);
    std::vector<double> count(sum.size(), 0);
    const Rect& r = patch.rect;
    for (const Edge& e : w.edges) {
        const int64_t dx = e.upright() ? 1 : 0;
        const int64_t dy = 1 - dx;
        for (int64_t along = 0; along < e.length(); ++along) {
            const int64_t x = e.x0 + (e.upright() ? 0 : along);
            const int64_t y = e.y0 + (e.upright() ? along : 0);
            for (int64_t o = -kBesideTo; o <= kBesideTo; ++o) {
                // The seam runs between two pixels.
                const int64_t ax = x + dx * (o - reach);
                const int64_t ay = y + dy * (o - reach);
                const int64_t bx = x + dx * (o + reach - 1);
                const int64_t by = y + dy * (o + reach - 1);
                if (ax < r.x0 || ay < r.y0 || bx >= r.x1 || by >= r.y1) continue;
                const uint8_t* a = &patch.rgb[patch.at(ax, ay)];
                const uint8_t* b = &patch.rgb[patch.at(bx, by)];
                const auto bin = static_cast<size_t>(o + kBesideTo);
                sum[bin] += std::abs(a[0] - b[0]) + std::abs(a[1] - b[1]) + std::abs(a[2] - b[2]);
                count[bin] += 3;
            }
        }
    }
    double most = 0;
    double beside = 0;
    double lines = 0;
    for (int64_t o = -kBesideTo; o <= kBesideTo; ++o) {
        const auto bin = static_cast<size_t>(o + kBesideTo);
        if (count[bin] == 0) continue;
        const double mean = sum[bin] / count[bin];
        if (std::abs(o) <= near) most = std::max(most, mean);
        if (std::abs(o) < kBesideFrom) continue;
        beside += mean;
        lines += 1;
    }
    return {most, lines > 0 ? beside / lines : most};
}

void judge(Window& w, const Image& picture, const Image& other, int64_t near) {
    Rect around{w.x, w.y, w.x, w.y};
    for (const Edge& e : w.edges) {
        around = {std::min(around.x0, e.x0), std::min(around.y0, e.y0), std::max(around.x1, e.x1),
                  std::max(around.y1, e.y1)};
    }
    const Patch patch = read_patch(picture, around.grown(kMargin));
    w.measure = -1e9;
    for (const int64_t reach : kReach) {
        const auto [across, beside] = change_across(patch, w, near, reach);
        double measure = across - beside;
        double without = 0;
        if (w.compared) {
            const auto [there, there_beside] =
                change_across(read_patch(other, around.grown(kMargin)), w, near, reach);
            without = there - there_beside;
            measure -= std::max(0.0, without);
        }
        if (measure <= w.measure) continue;
        w.measure = measure;
        w.across = across;
        w.beside = beside;
        w.other = without;
    }
}

/// Which windows have no seam of the other result within them or near them.
void compare_where_clear(std::vector<Window>& windows, const Seams& other) {
    constexpr int64_t kSide = 32;
    std::map<std::pair<int64_t, int64_t>, bool> taken;
    for_edges(other, [&](const Edge& e, int, int) { taken[{e.x0 / kSide, e.y0 / kSide}] = true; });
    for (Window& w : windows) {
        w.compared = true;
        for (const Edge& e : w.edges) {
            for (int64_t j = -1; j <= 1; ++j) {
                for (int64_t i = -1; i <= 1; ++i) {
                    if (taken.count({e.x0 / kSide + i, e.y0 / kSide + j}) != 0) w.compared = false;
                }
            }
        }
    }
}

std::vector<Window> worst_of(std::vector<Window> windows, double apart) {
    std::stable_sort(windows.begin(), windows.end(),
                     [](const Window& a, const Window& b) { return a.measure > b.measure; });
    std::vector<Window> worst;
    for (Window& w : windows) {
        const bool near = std::any_of(worst.begin(), worst.end(), [&](const Window& other) {
            return std::hypot(static_cast<double>(w.x - other.x),
                              static_cast<double>(w.y - other.y)) < apart;
        });
        if (near) continue;
        worst.push_back(std::move(w));
        if (worst.size() == kWanted) break;
    }
    return worst;
}

/// The seams as a line of one pixel on either side's first pixel.
void draw_seams(Patch& patch, const Seams& seams) {
    for_edges(seams, [&](const Edge& e, int, int) {
        for (int64_t along = 0; along < e.length(); ++along) {
            const int64_t x = e.x0 + (e.upright() ? 0 : along);
            const int64_t y = e.y0 + (e.upright() ? along : 0);
            if (!patch.rect.contains({x, y, x + 1, y + 1})) continue;
            const size_t at = patch.at(x, y);
            patch.rgb[at] = 255;
            patch.rgb[at + 1] = 0;
            patch.rgb[at + 2] = 255;
        }
    });
}

void run(const fs::path& result, const fs::path& out, const fs::path& other_result) {
    const Seams seams = read_seams(result / "seams.js");
    const Image picture = open_picture(result / "pano.tif");
    std::vector<Window> windows = windows_of(seams);
    Image other;
    if (!other_result.empty()) {
        other = open_picture(other_result / "pano.tif");
        if (other->Xsize != picture->Xsize || other->Ysize != picture->Ysize)
            throw std::runtime_error(other_result.native() + ": the picture has another size");
        compare_where_clear(windows, read_seams(other_result / "seams.js"));
    }
    const int64_t near =
        std::max(kNear, std::lround(std::max(seams.cell_width, seams.cell_height) / 2));
    for (Window& w : windows) judge(w, picture, other, near);
    std::printf("%d x %d, %zu pieces of seam\n", picture->Xsize, picture->Ysize, windows.size());
    const std::vector<Window> worst =
        worst_of(std::move(windows), static_cast<double>(std::min<int64_t>(
                                         kApart, std::min(picture->Xsize, picture->Ysize) / 4)));

    fs::create_directories(out);
    const int64_t width = std::min<int64_t>(kCropWidth, picture->Xsize);
    const int64_t height = std::min<int64_t>(kCropHeight, picture->Ysize);
    std::vector<uint8_t> sheet;
    for (size_t i = 0; i < worst.size(); ++i) {
        const Window& w = worst[i];
        const int64_t x = std::clamp<int64_t>(w.x - width / 2, 0, picture->Xsize - width);
        const int64_t y = std::clamp<int64_t>(w.y - height / 2, 0, picture->Ysize - height);
        const Patch plain = read_patch(picture, {x, y, x + width, y + height});
        Patch drawn = plain;
        draw_seams(drawn, seams);
        const auto row_bytes = static_cast<ptrdiff_t>(3 * width);
        for (int64_t row = 0; row < height; ++row) {
            for (const Patch* part : {&plain, static_cast<const Patch*>(&drawn)}) {
                const auto begin = part->rgb.begin() + row * row_bytes;
                sheet.insert(sheet.end(), begin, begin + row_bytes);
            }
        }
        const std::string name = "worst" + std::to_string(i + 1);
        std::vector<uint8_t> pixels = plain.rgb;
        write_png(out / (name + ".png"), pixels, width, height);
        write_png(out / (name + "_seam.png"), drawn.rgb, width, height);
        std::printf(
            "%zu: at %lld,%lld (crop from %lld,%lld), %s | %s: %.2f = %.2f across - %.2f "
            "beside",
            i + 1, static_cast<long long>(w.x), static_cast<long long>(w.y),
            static_cast<long long>(x), static_cast<long long>(y),
            seams.names[static_cast<size_t>(w.first)].c_str(),
            seams.names[static_cast<size_t>(w.second)].c_str(), w.measure, w.across, w.beside);
        if (w.compared) std::printf(" - %.2f in the other", std::max(0.0, w.other));
        std::printf("\n");
    }
    if (!worst.empty()) {
        write_png(out / "sheet.png", sheet, 2 * width, height * static_cast<int64_t>(worst.size()));
    }
}

}  // namespace

int main(int argc, char** argv) {
    if (argc != 3 && argc != 4) {
        std::fprintf(stderr, "usage: worst_seams RESULT_DIR OUT_DIR [OTHER_DIR]\n");
        return 2;
    }
    if (VIPS_INIT(argv[0]) != 0) return 1;
    int status = 0;
    try {
        run(argv[1], argv[2], argc == 4 ? argv[3] : "");
    } catch (const std::exception& e) {
        std::fprintf(stderr, "worst_seams: %s\n", e.what());
        status = 1;
    }
    vips_shutdown();
    return status;
}
