#include "support/moving_scene.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <fstream>
#include <map>
#include <numeric>
#include <random>
#include <set>

namespace broadloom::test {

namespace {

constexpr int kUnit = 32;  // working values a level

/// Same numbers everywhere: the standard's engine, distributions of our own.
class Chance {
  public:
    explicit Chance(uint64_t seed) : engine_(seed) {}
    double between(double low, double high) {
        return low + (high - low) * static_cast<double>(engine_() >> 11) / 9007199254740992.0;
    }
    int64_t whole(int64_t low, int64_t high) {  // both included
        return low + static_cast<int64_t>(engine_() % static_cast<uint64_t>(high - low + 1));
    }
    double normal() {  // sum of uniform numbers, near enough
        double sum = 0;
        for (int i = 0; i < 6; ++i) sum += between(-1, 1);
        return sum / std::sqrt(2.0);
    }

  private:
    std::mt19937_64 engine_;
};

/// Smooth noise: random values on a lattice, between them cosines.
class Texture {
  public:
    Texture(Chance& chance, int64_t width, int64_t height, double step)
        : step_(step), columns_(static_cast<int64_t>(static_cast<double>(width) / step) + 3) {
        const auto rows = static_cast<int64_t>(static_cast<double>(height) / step) + 3;
        for (int64_t i = 0; i < columns_ * rows; ++i) values_.push_back(chance.between(-1, 1));
    }
    [[nodiscard]] double at(double x, double y) const {
        const double u = x / step_;
        const double v = y / step_;
        const auto i = static_cast<int64_t>(u);
        const auto j = static_cast<int64_t>(v);
        const double a = (1 - std::cos((u - static_cast<double>(i)) * M_PI)) / 2;
        const double b = (1 - std::cos((v - static_cast<double>(j)) * M_PI)) / 2;
        const auto value = [&](int64_t x_, int64_t y_) {
            return values_[static_cast<size_t>(y_ * columns_ + x_)];
        };
        return (value(i, j) * (1 - a) + value(i + 1, j) * a) * (1 - b) +
               (value(i, j + 1) * (1 - a) + value(i + 1, j + 1) * a) * b;
    }

  private:
    double step_;
    int64_t columns_;
    std::vector<double> values_;
};

struct Point {
    double x, y;
};

using Shape = std::set<std::pair<int64_t, int64_t>>;  // (y, x)

void add_ellipse(Shape& shape, Point c, double rx, double ry) {
    for (auto y = static_cast<int64_t>(c.y - ry - 1); y <= static_cast<int64_t>(c.y + ry + 1);
         ++y) {
        for (auto x = static_cast<int64_t>(c.x - rx - 1); x <= static_cast<int64_t>(c.x + rx + 1);
             ++x) {
            const double u = (static_cast<double>(x) + 0.5 - c.x) / rx;
            const double v = (static_cast<double>(y) + 0.5 - c.y) / ry;
            if (u * u + v * v <= 1) shape.insert({y, x});
        }
    }
}

void add_box(Shape& shape, double x0, double y0, double x1, double y1) {
    for (auto y = static_cast<int64_t>(std::floor(y0)); y < static_cast<int64_t>(std::ceil(y1));
         ++y) {
        for (auto x = static_cast<int64_t>(std::floor(x0)); x < static_cast<int64_t>(std::ceil(x1));
             ++x) {
            shape.insert({y, x});
        }
    }
}

void add_stroke(Shape& shape, Point a, Point b, double thickness) {
    const double length = std::hypot(b.x - a.x, b.y - a.y);
    const int steps = std::max(1, static_cast<int>(2 * length));
    for (int i = 0; i <= steps; ++i) {
        const double t = static_cast<double>(i) / steps;
        add_ellipse(shape, {a.x + (b.x - a.x) * t, a.y + (b.y - a.y) * t}, thickness / 2,
                    thickness / 2);
    }
}

/// `h` high and `w` wide; how arms and legs are held is left to chance.
Shape posture(Chance& chance, Point c, double h, double w) {
    Shape s;
    add_ellipse(s, {c.x, c.y - 0.42 * h}, 0.085 * h + 0.7, 0.085 * h + 0.7);
    add_ellipse(s, {c.x, c.y - 0.12 * h}, w / 2, 0.25 * h);
    for (const int side : {-1, 1}) {
        add_stroke(s, {c.x + side * w * 0.2, c.y + 0.05 * h},
                   {c.x + side * w * chance.between(0.2, 0.6), c.y + 0.5 * h}, 0.1 * h);
        add_stroke(s, {c.x + side * w * 0.4, c.y - 0.25 * h},
                   {c.x + side * w * chance.between(0.5, 1.1), c.y + chance.between(-0.4, 0.1) * h},
                   0.07 * h);
    }
    return s;
}

Shape person(Chance& chance, Point c) {
    const double h = chance.between(22, 46);
    const double w = h * chance.between(0.22, 0.32);
    return posture(chance, c, h, w);
}

Shape vehicle(Chance& chance, Point c) {
    Shape s;
    const double w = chance.between(34, 64);
    const double h = w * chance.between(0.3, 0.5);
    add_box(s, c.x - w / 2, c.y - h * 0.1, c.x + w / 2, c.y + h * 0.35);
    add_box(s, c.x - w * 0.3, c.y - h * 0.5, c.x + w * chance.between(0.2, 0.45), c.y);
    for (const int side : {-1, 1})
        add_ellipse(s, {c.x + side * w * 0.3, c.y + h * 0.35}, h * 0.18, h * 0.18);
    return s;
}

Shape branch(Chance& chance, Point c) {
    Shape s;
    const double length = chance.between(30, 70);
    double angle = chance.between(0, 2 * M_PI);
    Point at{c.x - std::cos(angle) * length / 2, c.y - std::sin(angle) * length / 2};
    double thickness = chance.between(3, 5);
    for (int i = 0; i < 6; ++i) {
        angle += chance.between(-0.4, 0.4);
        const Point next{at.x + std::cos(angle) * length / 6, at.y + std::sin(angle) * length / 6};
        add_stroke(s, at, next, thickness);
        const double twig = angle + (i % 2 == 0 ? 1 : -1) * chance.between(0.5, 1);
        const double reach = chance.between(6, 18);
        add_stroke(s, next, {next.x + std::cos(twig) * reach, next.y + std::sin(twig) * reach},
                   std::max(1.3, thickness * 0.5));
        at = next;
        thickness = std::max(1.5, thickness * 0.85);
    }
    return s;
}

constexpr double kWalkerSide = 128;  // of the texture that goes along with one

/// Something with a look of its own that stands elsewhere in each frame.
struct Walker {
    std::string kind;
    Point home{0, 0};
    double height = 0, width = 0;  // of a person
    Shape shape;                   // of others, about (0, 0)
    std::array<double, 3> tone{};
    Texture texture;
};

std::vector<Walker> make_walkers(Chance& chance, const MovingPlan& plan, int64_t width,
                                 int64_t height) {
    std::vector<Walker> walkers;
    for (int i = 0; i < plan.walkers; ++i) {
        const int64_t kind = chance.whole(0, 2);
        Walker w{kind == 0 ? "person" : (kind == 1 ? "vehicle" : "branch"),
                 {chance.between(0, static_cast<double>(width)),
                  chance.between(0, static_cast<double>(height))},
                 chance.between(22, 46),
                 0,
                 {},
                 {},
                 Texture(chance, static_cast<int64_t>(kWalkerSide),
                         static_cast<int64_t>(kWalkerSide), 7)};
        w.width = w.height * chance.between(0.22, 0.32);
        if (kind == 1) w.shape = vehicle(chance, {0, 0});
        if (kind == 2) w.shape = branch(chance, {0, 0});
        const bool light = chance.whole(0, 1) == 0;
        const double tone = light ? chance.between(205, 235) : chance.between(15, 30);
        for (double& t : w.tone) t = tone + chance.between(-6, 6);
        walkers.push_back(std::move(w));
    }
    return walkers;
}

/// What a walker looks like in a frame: its place and its pixels, counted from the canvas's corner.
struct Stand {
    int64_t x = 0, y = 0;
    Shape shape;
};

Stand stand(Chance& chance, const Walker& walker, double stride) {
    Stand s;
    s.x = std::lround(walker.home.x + chance.between(-stride, stride));
    s.y = std::lround(walker.home.y + chance.between(-stride, stride));
    const Shape about = walker.kind == "person"
                            ? posture(chance, {0, 0}, walker.height, walker.width)
                            : walker.shape;
    for (const auto& [y, x] : about) s.shape.insert({y + s.y, x + s.x});
    return s;
}

}  // namespace

CoarseCanvas flat_canvas(int64_t width, int64_t height, bool wraps) {
    CoarseCanvas c;
    c.step = 4;
    c.canvas.surface = Surface::sphere;
    // A flat piece is so small that frames are rectangles on it, to a hundredth of a pixel.
    c.canvas.pixels_per_degree = wraps ? static_cast<double>(width) / 360 : 700;
    c.canvas.left_deg = wraps ? -10 : -0.5;
    c.canvas.right_deg =
        c.canvas.left_deg + static_cast<double>(width) / c.canvas.pixels_per_degree;
    c.canvas.top_deg = wraps ? 5 : 0.3;
    c.canvas.bottom_deg =
        c.canvas.top_deg - static_cast<double>(height) / c.canvas.pixels_per_degree;
    c.canvas.width = width;
    c.canvas.height = height;
    c.canvas.wraps = wraps;
    return c;
}

std::unique_ptr<MovingScene> make_moving_scene(const MovingPlan& plan, uint64_t seed) {
    Chance chance(seed);
    auto scene = std::make_unique<MovingScene>();
    const auto step_x =
        static_cast<int64_t>(std::lround(static_cast<double>(plan.width) * (1 - plan.overlap)));
    const auto step_y =
        static_cast<int64_t>(std::lround(static_cast<double>(plan.height) * (1 - plan.overlap)));
    const int64_t width =
        plan.wraps ? step_x * plan.columns / 16 * 16 : step_x * (plan.columns - 1) + plan.width;
    const int64_t height = step_y * (plan.rows - 1) + plan.height;
    scene->canvas = flat_canvas(width, height, plan.wraps);
    const auto wrapped = [&](int64_t x) {
        return plan.wraps ? x - floor_div(x, width) * width : x;
    };
    const auto place = [&](int64_t x, int64_t y) {
        return static_cast<size_t>(y * width + wrapped(x));
    };

    for (int c = 0; c < plan.columns; ++c) {
        for (int r = 0; r < plan.rows; ++r) {
            // Column by column, a little off the grid.
            const int64_t x = step_x * c + (plan.wraps ? 3 : 0) + chance.whole(-3, 3);
            const int64_t y = step_y * r + chance.whole(-3, 3);
            Rect view{x, y, x + plan.width, y + plan.height};
            if (!plan.wraps) view = intersect(view, Rect{0, 0, width, height});
            view.y0 = std::max<int64_t>(view.y0, 0);
            view.y1 = std::min(view.y1, height);
            if (plan.wraps) view = view.moved(wrapped(view.x0) - view.x0, 0);
            scene->views.push_back(view);
        }
    }
    std::vector<uint8_t> covered(static_cast<size_t>(width * height), 0);
    for (const Rect& v : scene->views) {
        for (int64_t y = v.y0; y < v.y1; ++y) {
            for (int64_t x = v.x0; x < v.x1; ++x) covered[place(x, y)] = 1;
        }
    }

    // The ground: blotches, grain of the surface, and some straight edges.
    std::vector<std::array<double, 3>> ground(static_cast<size_t>(width * height));
    {
        const Texture large(chance, width, height, 40);
        const Texture middle(chance, width, height, 9);
        const Texture small(chance, width, height, 2.5);
        const Texture tint(chance, width, height, 60);
        for (int64_t y = 0; y < height; ++y) {
            for (int64_t x = 0; x < width; ++x) {
                const auto u = static_cast<double>(x);
                const auto v = static_cast<double>(y);
                double value =
                    115 + 22 * large.at(u, v) + 12 * middle.at(u, v) + 8 * small.at(u, v);
                if ((x / 37 + y / 23) % 5 == 0) value += 9;
                const double t = 8 * tint.at(u, v);
                ground[place(x, y)] = {value + t, value, value - t};
            }
        }
    }

    // The pixels of a shape that some frame covers.
    const auto places_of = [&](const Shape& shape) {
        std::set<size_t> places;
        for (const auto& [y, x] : shape) {
            if (y < 0 || y >= height || (!plan.wraps && (x < 0 || x >= width))) continue;
            if (covered[place(x, y)] != 0) places.insert(place(x, y));
        }
        return std::vector<size_t>(places.begin(), places.end());
    };
    const std::vector<Walker> walkers = make_walkers(chance, plan, width, height);
    for (size_t k = 0; k < scene->views.size(); ++k) {
        const Rect& view = scene->views[k];
        MovedThing thing;
        thing.frame = static_cast<int>(k);
        thing.identity = static_cast<int>(k);
        Shape shape;
        double tone = 0;
        bool solid = false;
        if (plan.objects && plan.walkers == 0) {
            const Point c{
                chance.between(static_cast<double>(view.x0), static_cast<double>(view.x1)),
                chance.between(static_cast<double>(view.y0), static_cast<double>(view.y1))};
            const int64_t kind = chance.whole(0, 2);
            thing.kind = kind == 0 ? "person" : (kind == 1 ? "vehicle" : "branch");
            shape = kind == 0   ? person(chance, c)
                    : kind == 1 ? vehicle(chance, c)
                                : branch(chance, c);
            // Of one tone, or the ground's look lighter or darker by a little over 30 levels.
            solid = chance.whole(0, 1) == 0;
            const bool light = chance.whole(0, 1) == 0;
            tone = solid ? (light ? chance.between(205, 245) : chance.between(10, 30))
                         : (light ? 1 : -1) * chance.between(31, 45);
        }
        thing.pixels = places_of(shape);
        std::vector<uint8_t> inside(static_cast<size_t>(width * height), 0);
        for (const size_t p : thing.pixels) inside[p] = 1;
        std::vector<MovedThing> seen_here{std::move(thing)};
        std::map<size_t, std::array<double, 3>> walker_at;
        for (size_t i = 0; i < walkers.size(); ++i) {
            const Walker& walker = walkers[i];
            const Stand there = stand(chance, walker, plan.stride);
            const double light = chance.between(-2, 2);
            for (const auto& [y, x] : there.shape) {
                const double t =
                    8 * walker.texture.at(static_cast<double>(x - there.x) + kWalkerSide / 2,
                                          static_cast<double>(y - there.y) + kWalkerSide / 2);
                std::array<double, 3> colour = walker.tone;
                for (double& c : colour) c += t + light;
                walker_at[place(x, y)] = colour;
            }
            MovedThing walked;
            walked.frame = static_cast<int>(k);
            walked.identity = static_cast<int>(i);
            walked.kind = walker.kind;
            walked.pixels = places_of(there.shape);
            walked.mostly_inside = 2 * walked.pixels.size() > there.shape.size();
            seen_here.push_back(std::move(walked));
        }

        CoarseFrame f;
        f.rect = aligned_outwards(view, 16);
        const auto size = static_cast<size_t>(f.rect.area());
        f.flags.assign(size, 0);
        f.detail.assign(size, 0);
        for (auto& plane : f.value) plane.assign(size, 0);
        for (int64_t y = view.y0; y < view.y1; ++y) {
            for (int64_t x = view.x0; x < view.x1; ++x) {
                const size_t i = f.index(x, y);
                f.flags[i] = kCovered;
                f.detail[i] = 10;
                for (size_t c = 0; c < 3; ++c) {
                    double value = ground[place(x, y)][c];
                    if (inside[place(x, y)] != 0) value = solid ? tone : value + tone;
                    const auto walker = walker_at.find(place(x, y));
                    if (walker != walker_at.end()) value = walker->second[c];
                    value += plan.noise * chance.normal();
                    f.value[c][i] = static_cast<int16_t>(std::lround(value * kUnit));
                }
            }
        }
        if (f.rect.x0 < 0 && plan.wraps) f.rect = f.rect.moved(width, 0);
        scene->frames.add(std::move(f));
        // One of which nothing is seen by its own frame is none.
        for (MovedThing& t : seen_here) {
            const bool seen = std::any_of(t.pixels.begin(), t.pixels.end(),
                                          [&](size_t p) { return sees(*scene, k, p); });
            if (seen) scene->things.push_back(std::move(t));
        }
    }
    return scene;
}

bool sees(const MovingScene& scene, size_t frame, size_t pixel) {
    const int64_t width = scene.canvas.canvas.width;
    const auto y = static_cast<int64_t>(pixel) / width;
    auto x = static_cast<int64_t>(pixel) % width;
    const Rect& v = scene.views[frame];
    if (x < v.x0 && scene.canvas.canvas.wraps) x += width;
    return x >= v.x0 && x < v.x1 && y >= v.y0 && y < v.y1;
}

namespace {

bool seen_by_any(const MovingScene& scene, size_t pixel) {
    for (size_t k = 0; k < scene.views.size(); ++k) {
        if (sees(scene, k, pixel)) return true;
    }
    return false;
}

/// Whether one thing is in two of the places, one bit each.
bool shows_twice(const MovingScene& scene, uint64_t places) {
    std::set<int> shown;
    for (size_t t = 0; t < scene.things.size(); ++t) {
        if ((places >> t & 1) != 0 && !shown.insert(scene.things[t].identity).second) return true;
    }
    return false;
}

}  // namespace

std::vector<bool> can_be_whole_or_absent(const MovingScene& scene) {
    const size_t count = scene.things.size();
    const int64_t width = scene.canvas.canvas.width;
    const int64_t pixels = width * scene.canvas.canvas.height;
    // Pixels with the same frames and the same things ask the same question.
    std::map<size_t, uint64_t> things_at;
    for (size_t t = 0; t < count; ++t) {
        for (const size_t p : scene.things[t].pixels) things_at[p] |= uint64_t{1} << t;
    }
    std::set<std::pair<uint64_t, uint64_t>> questions;  // (frames that cover, things there)
    uint64_t never_whole = 0;
    for (const auto& [p, things] : things_at) {
        uint64_t frames = 0;
        for (size_t k = 0; k < scene.views.size(); ++k) {
            if (sees(scene, k, p)) frames |= uint64_t{1} << k;
        }
        uint64_t there = 0;
        for (size_t t = 0; t < count; ++t) {
            if ((things >> t & 1) == 0) continue;
            if ((frames >> scene.things[t].frame & 1) == 0) {
                never_whole |= uint64_t{1} << t;  // cut by its frame's border
                continue;
            }
            there |= uint64_t{1} << t;
            // What touches the border of its frame, where the picture goes on in others, looks the
            // same as what is cut by it.
            for (const auto step : {-width, int64_t{-1}, int64_t{1}, width}) {
                const auto q = static_cast<int64_t>(p) + step;
                if (q < 0 || q >= pixels || !seen_by_any(scene, static_cast<size_t>(q))) continue;
                if (!sees(scene, static_cast<size_t>(scene.things[t].frame),
                          static_cast<size_t>(q))) {
                    never_whole |= uint64_t{1} << t;
                }
            }
        }
        if (there != 0) questions.insert({frames, there});
    }
    // Things that meet in a pixel must be decided together.
    std::vector<size_t> group(count);
    std::iota(group.begin(), group.end(), size_t{0});
    for (bool changed = true; changed;) {
        changed = false;
        for (const auto& [frames, there] : questions) {
            size_t least = count;
            for (size_t t = 0; t < count; ++t) {
                if ((there >> t & 1) != 0) least = std::min(least, group[t]);
            }
            for (size_t t = 0; t < count; ++t) {
                if ((there >> t & 1) == 0 || group[t] == least) continue;
                group[t] = least;
                changed = true;
            }
        }
        // And so must the places of one thing.
        for (size_t t = 0; t < count; ++t) {
            for (size_t u = 0; u < t; ++u) {
                if (scene.things[t].identity != scene.things[u].identity || group[t] == group[u])
                    continue;
                group[t] = group[u] = std::min(group[t], group[u]);
                changed = true;
            }
        }
    }
    std::vector<bool> result(count, false);
    for (size_t g = 0; g < count; ++g) {
        std::vector<size_t> members;
        for (size_t t = 0; t < count; ++t) {
            if (group[t] == g) members.push_back(t);
        }
        bool possible = false;
        for (uint64_t choice = 0; choice < uint64_t{1} << members.size() && !possible; ++choice) {
            if (members.empty()) break;
            uint64_t whole = 0;
            uint64_t all = 0;
            for (size_t i = 0; i < members.size(); ++i) {
                all |= uint64_t{1} << members[i];
                if ((choice >> i & 1) != 0) whole |= uint64_t{1} << members[i];
            }
            if ((whole & never_whole) != 0 || shows_twice(scene, whole)) continue;
            possible = std::all_of(questions.begin(), questions.end(), [&](const auto& question) {
                const auto& [frames, there] = question;
                if ((there & all) == 0) return true;
                for (size_t k = 0; k < scene.views.size(); ++k) {
                    if ((frames >> k & 1) == 0) continue;
                    bool fits = true;
                    for (const size_t t : members) {
                        if ((there >> t & 1) == 0) continue;
                        const bool taken = scene.things[t].frame == static_cast<int>(k);
                        fits = fits && taken == ((whole >> t & 1) != 0);
                    }
                    if (fits) return true;
                }
                return false;
            });
        }
        for (const size_t t : members) result[t] = possible;
    }
    return result;
}

double share_shown(const MovingScene& scene, const LabelGrid& labels, const MovedThing& thing) {
    (void)scene;
    const auto shown = std::count_if(thing.pixels.begin(), thing.pixels.end(),
                                     [&](size_t p) { return labels.frame[p] == thing.frame; });
    return static_cast<double>(shown) / static_cast<double>(thing.pixels.size());
}

bool is_cut(double share) { return share > 0.02 && share < 0.98; }

int count_doubled(const MovingScene& scene, const LabelGrid& labels,
                  const std::vector<bool>& counted) {
    std::map<int, int> shown;
    for (size_t t = 0; t < scene.things.size(); ++t) {
        const MovedThing& thing = scene.things[t];
        if (counted[t] && thing.mostly_inside && share_shown(scene, labels, thing) >= 0.98)
            ++shown[thing.identity];
    }
    return static_cast<int>(
        std::count_if(shown.begin(), shown.end(), [](const auto& s) { return s.second > 1; }));
}

int64_t wrongly_labelled(const MovingScene& scene, const LabelGrid& labels) {
    int64_t wrong = 0;
    for (size_t p = 0; p < labels.frame.size(); ++p) {
        bool any = false;
        bool own = false;
        for (size_t k = 0; k < scene.views.size(); ++k) {
            const bool here = sees(scene, k, p);
            any = any || here;
            own = own || (here && labels.frame[p] == static_cast<int16_t>(k));
        }
        wrong += any ? !own : labels.frame[p] != LabelGrid::kNobody;
    }
    return wrong;
}

LabelGrid nearest_centres(const MovingScene& scene) {
    LabelGrid grid(scene.canvas.canvas);
    for (size_t p = 0; p < grid.frame.size(); ++p) {
        double best = 1e300;
        for (size_t k = 0; k < scene.views.size(); ++k) {
            if (!sees(scene, k, p)) continue;
            const Rect& v = scene.views[k];
            auto x = static_cast<int64_t>(p) % grid.width;
            if (x < v.x0) x += grid.width;
            const double dx = static_cast<double>(x) + 0.5 - static_cast<double>(v.x0 + v.x1) / 2;
            const double dy = static_cast<double>(static_cast<int64_t>(p) / grid.width) + 0.5 -
                              static_cast<double>(v.y0 + v.y1) / 2;
            if (dx * dx + dy * dy >= best) continue;
            best = dx * dx + dy * dy;
            grid.frame[p] = static_cast<int16_t>(k);
        }
    }
    return grid;
}

void write_labelled(const std::string& path, const CoarseCanvas& canvas, const CoarseFrames& frames,
                    const LabelGrid& labels, bool seams) {
    const int64_t width = canvas.canvas.width;
    const int64_t height = canvas.canvas.height;
    std::vector<uint8_t> rgb(static_cast<size_t>(3 * width * height), 0);
    for (size_t k = 0; k < frames.count(); ++k) {
        const auto f = frames.get(k);
        for (int64_t y = std::max<int64_t>(f->rect.y0, 0); y < std::min(f->rect.y1, height); ++y) {
            for (int64_t x = f->rect.x0; x < f->rect.x1; ++x) {
                const int64_t wx = canvas.canvas.wraps ? x % width : x;
                if (wx < 0 || wx >= width) continue;
                if (labels.at(wx, y) != static_cast<int16_t>(k)) continue;
                for (size_t c = 0; c < 3; ++c) {
                    rgb[static_cast<size_t>(3 * (y * width + wx)) + c] = static_cast<uint8_t>(
                        std::clamp(f->value[c][f->index(x, y)] / kUnit, 0, 255));
                }
            }
        }
    }
    if (seams) {
        for (int64_t y = 0; y + 1 < height; ++y) {
            for (int64_t x = 0; x + 1 < width; ++x) {
                const int16_t l = labels.at(x, y);
                if (l == labels.at(x + 1, y) && l == labels.at(x, y + 1)) continue;
                const auto at = static_cast<size_t>(3 * (y * width + x));
                rgb[at] = 255;
                rgb[at + 1] = rgb[at + 2] = 0;
            }
        }
    }
    std::ofstream out(path, std::ios::binary);
    out << "P6\n" << width << ' ' << height << "\n255\n";
    out.write(reinterpret_cast<const char*>(rgb.data()), static_cast<std::streamsize>(rgb.size()));
}

}  // namespace broadloom::test
