#include "settle/moved_things.hpp"

#include <algorithm>
#include <array>
#include <cstdlib>
#include <utility>

#include "base/parallel.hpp"
#include "base/work_meter.hpp"
#include "image/kernels.hpp"
#include "settle/seam_reduced.hpp"

namespace broadloom {

namespace {

/// Smaller ones are not looked at, coarse pixels, and per pair of frames no more than so many.
constexpr int64_t kLeastArea = 40;
constexpr size_t kMostSightings = 12;
/// Nor larger ones: a share of the pixels that two frames have in common.
constexpr double kMostShare = 0.25;
/// Nor ones in wider rectangles, pixels, or scattered over more than so many times their area.
constexpr int64_t kMostRect = 1 << 16;
constexpr int64_t kMostScattered = 12;
/// Marked pixels that are no farther apart belong together.
constexpr int64_t kGap = 2;
/// The frame whose outline stands out by so much more than the other's shows the thing.
constexpr double kClearer = 1.25;
/// Pixels that differ by less than this look alike, mean of the channels.
constexpr int kAlike = 14 << kWorkShift;
/// One thing: this share of its pixels looks alike in both places, ...
constexpr double kSameShare = 0.65;
/// ... and in the other its outline stands out by this share of what it does in the first.
constexpr double kSameContrast = 0.6;
/// Other places are tried so far apart, and looked at closely where some pixels look alike.
constexpr int64_t kTryStep = 2;
constexpr size_t kProbes = 64;
/// Sightings of one frame that are looked for elsewhere, the largest.
constexpr size_t kMostOfFrame = 16;

int64_t on_canvas(int64_t x, const CanvasSpan& canvas) {
    if (!canvas.wraps) return x;
    return x < 0 ? x + canvas.width : (x >= canvas.width ? x - canvas.width : x);
}

size_t place(const Rect& r, int64_t x, int64_t y) {
    return static_cast<size_t>((y - r.y0) * r.width() + x - r.x0);
}

bool holds(const Rect& r, int64_t x, int64_t y) {
    return x >= r.x0 && x < r.x1 && y >= r.y0 && y < r.y1;
}

bool in_mask(const MovedPlace& s, int64_t x, int64_t y) {
    return holds(s.rect, x, y) && s.mask[place(s.rect, x, y)];
}

/// The pixels of one blob, found by flooding.
using Blob = std::vector<std::pair<int64_t, int64_t>>;  // x, y

std::vector<Blob> blobs_of(const Rect& common, std::vector<uint8_t> left) {
    const auto most = static_cast<int64_t>(kMostShare * static_cast<double>(common.area()));
    std::vector<Blob> blobs;
    for (int64_t y = common.y0; y < common.y1; ++y) {
        for (int64_t x = common.x0; x < common.x1; ++x) {
            if (left[place(common, x, y)] == 0) continue;
            Blob blob{{x, y}};
            left[place(common, x, y)] = 0;
            for (size_t i = 0; i < blob.size(); ++i) {
                const auto [bx, by] = blob[i];
                for (int64_t ny = by - kGap; ny <= by + kGap; ++ny) {
                    for (int64_t nx = bx - kGap; nx <= bx + kGap; ++nx) {
                        if (!holds(common, nx, ny) || left[place(common, nx, ny)] == 0) continue;
                        left[place(common, nx, ny)] = 0;
                        blob.emplace_back(nx, ny);
                    }
                }
            }
            const auto area = static_cast<int64_t>(blob.size());
            if (area >= kLeastArea && area <= most) blobs.push_back(std::move(blob));
        }
    }
    return blobs;
}

Rect rect_of(const Blob& blob) {
    Rect rect;
    for (const auto& [x, y] : blob) rect = hull(rect, {x, y, x + 1, y + 1});
    return rect;
}

MovedPlace outlined(const Blob& blob, const Rect& rect) {
    MovedPlace s;
    s.rect = rect;
    s.mask.assign(static_cast<size_t>(s.rect.area()), false);
    for (const auto& [x, y] : blob) s.mask[place(s.rect, x, y)] = true;
    s.area = static_cast<int64_t>(blob.size());
    return s;
}

int difference(const FrameView& a, int64_t ia, const FrameView& b, int64_t ib) {
    int sum = 0;
    for (size_t c = 0; c < 3; ++c) sum += std::abs(a.value(c, ia) - b.value(c, ib));
    return sum / 3;
}

/// How much a frame changes across the mask's outline, moved by (dx, dy), per pixel, working
/// values; the mean over what both frames see there, the other without moving.
std::pair<double, double> contrast(const MovedPlace& s, const FrameView& a, const FrameView& b,
                                   int64_t dx, int64_t dy, const CanvasSpan& canvas) {
    int64_t in_a = 0;
    int64_t in_b = 0;
    int64_t count = 0;
    const auto look = [&](const FrameView& view, int64_t x, int64_t y) {
        return view.at(on_canvas(x, canvas), y);
    };
    for (int64_t y = s.rect.y0; y < s.rect.y1; ++y) {
        for (int64_t x = s.rect.x0; x < s.rect.x1; ++x) {
            if (!in_mask(s, x, y)) continue;
            for (const auto& [u, v] : {std::pair{1, 0}, {-1, 0}, {0, 1}, {0, -1}}) {
                if (in_mask(s, x + u, y + v)) continue;
                const int64_t a_in = look(a, x - 2 * u, y - 2 * v);
                const int64_t a_out = look(a, x + 2 * u, y + 2 * v);
                const int64_t b_in = look(b, x + dx - 2 * u, y + dy - 2 * v);
                const int64_t b_out = look(b, x + dx + 2 * u, y + dy + 2 * v);
                if (a_in < 0 || a_out < 0 || b_in < 0 || b_out < 0) continue;
                in_a += difference(a, a_in, a, a_out);
                in_b += difference(b, b_in, b, b_out);
                ++count;
            }
        }
    }
    const double pixels = static_cast<double>(std::max<int64_t>(count, 1));
    return {static_cast<double>(in_a) / pixels, static_cast<double>(in_b) / pixels};
}

using Pixel = std::pair<int64_t, int64_t>;  // x, y

std::vector<Pixel> pixels_of(const MovedPlace& s) {
    std::vector<Pixel> pixels;
    for (int64_t y = s.rect.y0; y < s.rect.y1; ++y) {
        for (int64_t x = s.rect.x0; x < s.rect.x1; ++x) {
            if (in_mask(s, x, y)) pixels.emplace_back(x, y);
        }
    }
    return pixels;
}

/// Pixels that surely belong to the thing: the mask is a little wider than it is.
std::vector<Pixel> core_of(const MovedPlace& s) {
    const std::vector<Pixel> all = pixels_of(s);
    std::vector<Pixel> core;
    for (const auto& [x, y] : all) {
        if (in_mask(s, x - 1, y) && in_mask(s, x + 1, y) && in_mask(s, x, y - 1) &&
            in_mask(s, x, y + 1)) {
            core.emplace_back(x, y);
        }
    }
    return 4 * core.size() < all.size() ? all : core;
}

/// Some of them from all over, in an order in which the first few tell a lot.
std::vector<Pixel> probes_of(const std::vector<Pixel>& core) {
    if (core.size() <= kProbes) return core;
    constexpr size_t kStride = 37;  // has no factor in common with their number
    std::vector<Pixel> probes;
    for (size_t i = 0; i < kProbes; ++i)
        probes.push_back(core[i * kStride % kProbes * core.size() / kProbes]);
    return probes;
}

int64_t common_area(const MovedPlace& s, const MovedPlace& t) {
    const Rect both = intersect(s.rect, t.rect);
    int64_t area = 0;
    for (int64_t y = both.y0; y < both.y1; ++y) {
        for (int64_t x = both.x0; x < both.x1; ++x) {
            area += in_mask(s, x, y) && in_mask(t, x, y) ? 1 : 0;
        }
    }
    return area;
}

/// Some pixels of a thing, to be looked for in another frame.
class Probes {
  public:
    Probes(const MovedPlace& s, const FrameView& own, const std::vector<Pixel>& pixels,
           const CanvasSpan& canvas)
        : width_(s.rect.width()), height_(s.rect.height()) {
        for (const auto& [x, y] : pixels) {
            const int64_t at = own.at(on_canvas(x, canvas), y);
            probes_.push_back({x - s.rect.x0,
                               y - s.rect.y0,
                               {own.value(0, at), own.value(1, at), own.value(2, at)}});
        }
    }

    /// Where the corner of the thing's rectangle would lie, where enough of them look alike; this
    /// takes the frame's rectangle as it is.
    [[nodiscard]] std::vector<Pixel> places_in(const CoarseFrame& frame) const {
        const int64_t stride = frame.rect.width();
        std::vector<int64_t> steps;
        for (const Probe& p : probes_) steps.push_back(p.y * stride + p.x);
        const int16_t* red = frame.value[0].data();
        const int16_t* green = frame.value[1].data();
        const int16_t* blue = frame.value[2].data();
        std::vector<Pixel> places;
        for (int64_t y = 0; y + height_ <= frame.rect.height(); y += kTryStep) {
            for (int64_t x = 0; x + width_ <= stride; x += kTryStep) {
                const int64_t corner = y * stride + x;
                size_t misses = 0;
                size_t n = 0;
                for (; n < probes_.size() && misses <= 2 + n / 3; ++n) {
                    const int64_t at = corner + steps[n];
                    const auto& v = probes_[n].value;
                    const int sum = std::abs(red[at] - v[0]) + std::abs(green[at] - v[1]) +
                                    std::abs(blue[at] - v[2]);
                    misses += sum / 3 < kAlike ? 0 : 1;
                }
                if (n == probes_.size()) places.emplace_back(frame.rect.x0 + x, frame.rect.y0 + y);
            }
        }
        return places;
    }

  private:
    struct Probe {
        int64_t x, y;
        std::array<int, 3> value;
    };
    int64_t width_, height_;
    std::vector<Probe> probes_;
};

/// Whether other frames see the place and what is next to it, so that nothing of it goes on beyond.
bool replaceable(const MovedPlace& s, const std::vector<FrameView>& others,
                 const CanvasSpan& canvas) {
    for (const auto& [x, y] : pixels_of(s)) {
        for (const auto& [dx, dy] : {std::pair{1, 0}, {-1, 0}, {0, 1}, {0, -1}}) {
            const int64_t nx = on_canvas(x + dx, canvas);
            const int64_t ny = y + dy;
            if (ny < 0 || ny >= canvas.height || nx < 0 || nx >= canvas.width) continue;
            if (std::none_of(others.begin(), others.end(),
                             [&](const FrameView& view) { return view.at(nx, ny) >= 0; })) {
                return false;
            }
        }
    }
    return true;
}

/// Both masks as one.
MovedPlace both_of(const MovedPlace& s, const MovedPlace& t) {
    MovedPlace both;
    both.frame = s.frame;
    both.rect = hull(s.rect, t.rect);
    both.mask.assign(static_cast<size_t>(both.rect.area()), false);
    for (const MovedPlace* part : {&s, &t}) {
        for (const auto& [x, y] : pixels_of(*part)) both.mask[place(both.rect, x, y)] = true;
    }
    both.area = std::count(both.mask.begin(), both.mask.end(), true);
    return both;
}

}  // namespace

std::vector<MovedPlace> find_sightings(const FrameView& a, int a_index, const FrameView& b,
                                       int b_index, const Rect& common, const CanvasSpan& canvas,
                                       const std::vector<uint8_t>& differs) {
    std::vector<Blob> blobs = blobs_of(common, differs);
    std::stable_sort(blobs.begin(), blobs.end(),
                     [](const Blob& p, const Blob& q) { return p.size() > q.size(); });
    std::vector<MovedPlace> sightings;
    for (const Blob& blob : blobs) {
        if (sightings.size() == kMostSightings) break;
        const Rect rect = rect_of(blob);
        const auto area = static_cast<int64_t>(blob.size());
        if (rect.area() > std::min(kMostRect, kMostScattered * area)) continue;
        MovedPlace s = outlined(blob, rect);
        const auto [in_a, in_b] = contrast(s, a, b, 0, 0, canvas);
        const bool first = in_a > kClearer * in_b;
        if (!first && in_b <= kClearer * in_a) continue;
        s.frame = first ? a_index : b_index;
        if (canvas.wraps && s.rect.x0 >= canvas.width) s.rect = s.rect.moved(-canvas.width, 0);
        sightings.push_back(std::move(s));
    }
    return sightings;
}

MovedThings::MovedThings(ReducedScene& scene, const CoarseFrames& source)
    : scene_(scene), source_(source) {
    merge(scene.take_sightings());
    may_avoid_.assign(sightings_.size(), 1);
}

/// One sighting for each place of a frame: those that lie upon each other are put together.
void MovedThings::merge(std::vector<MovedPlace> all) {
    std::stable_sort(all.begin(), all.end(), [](const MovedPlace& s, const MovedPlace& t) {
        return std::pair(s.frame, -s.area) < std::pair(t.frame, -t.area);
    });
    size_t of_frame = 0;
    for (MovedPlace& s : all) {
        if (sightings_.empty() || sightings_.back().frame != s.frame) of_frame = 0;
        bool known = false;
        for (size_t i = sightings_.size(); i > sightings_.size() - of_frame && !known; --i) {
            MovedPlace& t = sightings_[i - 1];
            known = 2 * common_area(s, t) > std::min(s.area, t.area);
            if (known && hull(s.rect, t.rect).area() <= kMostRect) t = both_of(s, t);
        }
        if (known || of_frame == kMostOfFrame) continue;
        sightings_.push_back(std::move(s));
        ++of_frame;
    }
}

bool MovedThings::shown(const MovedPlace& s, const std::vector<int16_t>& reduced) const {
    int64_t count = 0;
    for (const auto& [x, y] : pixels_of(s))
        count += reduced[scene_.block_at(on_canvas(x, scene_.canvas()), y)] == s.frame ? 1 : 0;
    return 2 * count > s.area;
}

/// Where else the labels show what the sighting's frame shows.
MovedThings::Twin MovedThings::find_twin(size_t i, const std::vector<int16_t>& reduced) const {
    const MovedPlace& s = sightings_[i];
    const CanvasSpan& canvas = scene_.canvas();
    const auto own_frame = source_.get(static_cast<size_t>(s.frame));
    const FrameView own(*own_frame, canvas);
    const std::vector<int>& others = scene_.neighbours(s.frame);
    std::vector<std::shared_ptr<const CoarseFrame>> held;
    std::vector<FrameView> views;
    for (const int k : others) {
        held.push_back(source_.get(static_cast<size_t>(k)));
        views.emplace_back(*held.back(), canvas);
    }
    Twin best{i, -1, {}};
    if (!replaceable(s, views, canvas)) return best;
    const std::vector<Pixel> core = core_of(s);
    const Probes probes(s, own, probes_of(core), canvas);
    double most = kSameShare;
    for (size_t other = 0; other < others.size(); ++other) {
        const int k = others[other];
        const FrameView& view = views[other];
        const auto alike = [&](const Pixel& p, int64_t dx, int64_t dy) {
            const int64_t x = on_canvas(p.first + dx, canvas);
            const int64_t there = view.at(x, p.second + dy);
            return there >= 0 && reduced[scene_.block_at(x, p.second + dy)] == k &&
                   difference(own, own.at(on_canvas(p.first, canvas), p.second), view, there) <
                       kAlike;
        };
        for (const auto& [rx, y] : probes.places_in(*held[other])) {
            if (y < 0 || y + s.rect.height() > canvas.height || rx < 0 ||
                (!canvas.wraps && rx + s.rect.width() > canvas.width)) {
                continue;
            }
            const int64_t dx = on_canvas(rx, canvas) - s.rect.x0;
            const int64_t dy = y - s.rect.y0;
            const Pixel& middle = core[core.size() / 2];
            if (reduced[scene_.block_at(on_canvas(middle.first + dx, canvas),
                                        middle.second + dy)] != k) {
                continue;
            }
            const auto size = static_cast<double>(core.size());
            size_t misses = 0;
            for (size_t n = 0; n < core.size() && size - static_cast<double>(misses) > most * size;
                 ++n) {
                if (!alike(core[n], dx, dy)) ++misses;
            }
            const double share = 1 - static_cast<double>(misses) / size;
            if (share <= most) continue;
            const auto [here, there] = contrast(s, own, view, dx, dy, canvas);
            if (there < kSameContrast * here) continue;
            // What stands still in both frames is not what moved.
            size_t still = 0;
            for (const auto& [px, py] : core) {
                const int64_t x = on_canvas(px + dx, canvas);
                const int64_t in_own = own.at(x, py + dy);
                const int64_t in_other = view.at(x, py + dy);
                if (in_own >= 0 && in_other >= 0 &&
                    difference(own, in_own, view, in_other) < kAlike) {
                    ++still;
                }
            }
            if (2 * still > core.size()) continue;
            most = share;
            best = {i, k, s.rect.moved(dx, dy)};
        }
    }
    return best;
}

bool MovedThings::avoid_doubles(const std::vector<int16_t>& reduced, int threads,
                                const WorkHooks& hooks) {
    std::vector<Twin> twins(sightings_.size());
    for_each_index(sightings_.size(), threads, [&](size_t i, int) {
        throw_if_stopped(hooks);
        if (may_avoid_[i] != 0 && shown(sightings_[i], reduced)) twins[i] = find_twin(i, reduced);
    });
    std::vector<size_t> gone;
    for (const Twin& twin : twins) {
        if (twin.frame < 0) continue;
        // One of the two is enough.
        const bool other_gone = std::any_of(gone.begin(), gone.end(), [&](size_t j) {
            const MovedPlace& t = sightings_[j];
            return t.frame == twin.frame && 2 * intersect(t.rect, twin.rect).area() > t.rect.area();
        });
        if (other_gone) continue;
        const MovedPlace& s = sightings_[twin.sighting];
        for (const auto& [x, y] : pixels_of(s))
            scene_.avoid(s.frame, on_canvas(x, scene_.canvas()), y);
        may_avoid_[twin.sighting] = 0;
        gone.push_back(twin.sighting);
    }
    return !gone.empty();
}

}  // namespace broadloom
