#include "settle/seam_reduced.hpp"

#include <algorithm>
#include <cmath>
#include <iterator>

#include "base/parallel.hpp"
#include "base/work_meter.hpp"

namespace broadloom {

namespace {

constexpr int64_t kSide = 4;
/// A frame is clearly less sharp where it has less than this share of another's detail.
constexpr double kClearly = 0.7;
/// Detail below this, levels, is grain.
constexpr int kLeastDetail = 4;
/// Frames show different things where they differ by five times the noise.
constexpr float kMoved = 6.25F;

/// City-block distance from the nearest block that is not covered, in blocks; the frame's rectangle
/// ends the cover.
std::vector<int32_t> border_distance(const std::vector<uint8_t>& covers, int64_t width,
                                     int64_t height) {
    std::vector<int32_t> distance(covers.size());
    const auto at = [&](int64_t x, int64_t y) { return static_cast<size_t>(y * width + x); };
    const auto before = [&](int64_t x, int64_t y) {
        return x < 0 || y < 0 || x >= width || y >= height ? 0 : distance[at(x, y)];
    };
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            distance[at(x, y)] =
                covers[at(x, y)] == 0 ? 0 : 1 + std::min(before(x - 1, y), before(x, y - 1));
        }
    }
    for (int64_t y = height - 1; y >= 0; --y) {
        for (int64_t x = width - 1; x >= 0; --x) {
            int32_t& d = distance[at(x, y)];
            d = std::min({d, 1 + before(x + 1, y), 1 + before(x, y + 1)});
        }
    }
    return distance;
}

}  // namespace

Rect rect_on_canvas(const Rect& rect, const CanvasSpan& canvas) {
    Rect r = rect;
    r.y0 = std::max<int64_t>(r.y0, 0);
    r.y1 = std::min(r.y1, canvas.height);
    if (canvas.wraps) {
        const int64_t x0 = r.x0 - floor_div(r.x0, canvas.width) * canvas.width;
        r = {x0, r.y0, x0 + std::min(r.width(), canvas.width), r.y1};
    } else {
        r.x0 = std::max<int64_t>(r.x0, 0);
        r.x1 = std::min(r.x1, canvas.width);
    }
    return r.empty() ? Rect{} : r;
}

ReducedScene::ReducedScene(const CanvasSpan& canvas, const CoarseFrames& source,
                           const SeamOptions& options, int threads, const WorkHooks& hooks)
    : canvas_(canvas),
      side_(canvas.wraps && canvas.width % kSide != 0 ? 1 : kSide),
      frames_(source.count()) {
    span_ = {ceil_div(canvas.width, side_), ceil_div(canvas.height, side_), canvas.wraps};
    const auto area = static_cast<size_t>(span_.width * span_.height);
    for (size_t k = 0; k < frames_.size(); ++k) {
        const Rect r = rect_on_canvas(source.rect(k), canvas);
        frames_[k].rect = r.empty() ? Rect{}
                                    : Rect{r.x0 / side_, r.y0 / side_, ceil_div(r.x1, side_),
                                           ceil_div(r.y1, side_)};
        if (canvas.wraps) {
            Rect& b = frames_[k].rect;
            b.x1 = std::min(b.x1, b.x0 + span_.width);
        }
    }
    list_pairs();
    WorkMeter meter("comparing frames", frames_.size() + pairs_.size(), hooks);
    // Which of a block's pixels a frame covers, one bit each.
    std::vector<std::vector<uint16_t>> pixels(frames_.size());
    for_each_index(frames_.size(), threads, [&](size_t k, int) {
        reduce(static_cast<int>(k), source, pixels[k]);
        meter.advance();
    });
    // Which of them any frame covers, whether one frame covers all those, and the most detail
    // there.
    std::vector<uint16_t> any(area, 0);
    std::vector<uint8_t> served(area, 0);
    std::vector<uint8_t> sharpest(area, 0);
    const auto for_blocks = [&](size_t k, const auto& body) {
        const Frame& f = frames_[k];
        for (int64_t j = 0; j < f.rect.height(); ++j) {
            for (int64_t i = 0; i < f.rect.width(); ++i) {
                body(static_cast<size_t>(j * f.rect.width() + i), block(f, i, j));
            }
        }
    };
    for (size_t k = 0; k < frames_.size(); ++k) {
        any_kept_ = any_kept_ || !frames_[k].kept.empty();
        for_blocks(k, [&](size_t local, size_t at) {
            any[at] |= pixels[k][local];
            sharpest[at] = std::max(sharpest[at], frames_[k].detail[local]);
        });
    }
    for (size_t k = 0; k < frames_.size(); ++k) {
        for_blocks(k, [&](size_t local, size_t at) {
            if (any[at] != 0 && pixels[k][local] == any[at]) served[at] = 1;
        });
    }
    for_each_index(frames_.size(), threads, [&](size_t k, int) {
        // A frame that covers less than others do may have the block where nobody covers as much.
        for_blocks(k, [&](size_t local, size_t at) {
            const uint16_t here = pixels[k][local];
            frames_[k].covers[local] = here != 0 && (here == any[at] || served[at] == 0) ? 1 : 0;
        });
        pixels[k] = {};
        prefer(static_cast<int>(k), options, sharpest);
        frames_[k].detail = {};
    });
    for_each_index(pairs_.size(), threads, [&](size_t i, int) {
        measure(pairs_[i], source, options);
        meter.advance();
    });
}

/// Of the frame's block (i, j), counted from its rectangle's corner.
size_t ReducedScene::block(const Frame& f, int64_t i, int64_t j) const {
    int64_t x = f.rect.x0 + i;
    if (x >= span_.width) x -= span_.width;
    return static_cast<size_t>((f.rect.y0 + j) * span_.width + x);
}

void ReducedScene::reduce(int k, const CoarseFrames& source, std::vector<uint16_t>& pixels) {
    Frame& f = frames_[static_cast<size_t>(k)];
    const auto blocks = static_cast<size_t>(f.rect.area());
    f.covers.assign(blocks, 0);
    f.detail.assign(blocks, 0);
    pixels.assign(blocks, 0);
    if (blocks == 0) return;
    const auto frame = source.get(static_cast<size_t>(k));
    const FrameView view(*frame, canvas_);
    std::vector<uint8_t> kept(blocks, 0);
    bool any = false;
    for (int64_t j = 0; j < f.rect.height(); ++j) {
        for (int64_t i = 0; i < f.rect.width(); ++i) {
            const int64_t bx = (f.rect.x0 + i) % span_.width;
            const int64_t by = f.rect.y0 + j;
            const int64_t x1 = std::min((bx + 1) * side_, canvas_.width);
            const int64_t y1 = std::min((by + 1) * side_, canvas_.height);
            int64_t count = 0;
            int64_t detail = 0;
            const auto local = static_cast<size_t>(j * f.rect.width() + i);
            for (int64_t y = by * side_; y < y1; ++y) {
                for (int64_t x = bx * side_; x < x1; ++x) {
                    const int64_t at = view.at(x, y);
                    if (at < 0) continue;
                    ++count;
                    pixels[local] |=
                        static_cast<uint16_t>(1U << ((y - by * side_) * side_ + x - bx * side_));
                    detail += frame->detail[static_cast<size_t>(at)];
                    if ((frame->flags[static_cast<size_t>(at)] & kKeep) != 0) kept[local] = 1;
                }
            }
            if (count == 0) continue;
            f.detail[local] = static_cast<uint8_t>(detail / count);
            any = any || kept[local] != 0;
        }
    }
    if (any) f.kept = std::move(kept);
}

void ReducedScene::prefer(int k, const SeamOptions& options, const std::vector<uint8_t>& sharpest) {
    Frame& f = frames_[static_cast<size_t>(k)];
    const int64_t width = f.rect.width();
    const int64_t height = f.rect.height();
    f.preference.assign(f.covers.size(), 0);
    if (f.covers.empty()) return;
    const std::vector<int32_t> distance = border_distance(f.covers, width, height);
    const double reach =
        std::max(1.0, options.border_reach * static_cast<double>(std::min(width, height)));
    const double cx = static_cast<double>(width) / 2;
    const double cy = static_cast<double>(height) / 2;
    const double scale = 1 / (cx * cx + cy * cy);
    for (int64_t j = 0; j < height; ++j) {
        for (int64_t i = 0; i < width; ++i) {
            const auto local = static_cast<size_t>(j * width + i);
            const double near = std::max(0.0, 1 - distance[local] / reach);
            const double dx = static_cast<double>(i) + 0.5 - cx;
            const double dy = static_cast<double>(j) + 0.5 - cy;
            double cost =
                options.border * near * near + options.off_centre * (dx * dx + dy * dy) * scale;
            const int most = sharpest[block(f, i, j)];
            if (most >= kLeastDetail) {
                const double share = f.detail[local] / static_cast<double>(most);
                cost += options.unsharp * std::max(0.0, 1 - share / kClearly);
            }
            f.preference[local] =
                static_cast<uint8_t>(std::clamp(std::lround(cost * kSeamUnit), 0L, kAvoided - 1L));
        }
    }
}

void ReducedScene::list_pairs() {
    neighbours_.resize(frames_.size());
    for (size_t k = 0; k < frames_.size(); ++k) {
        pairs_of_.push_back(pairs_.size());
        const Rect& a = frames_[k].rect;
        if (a.empty()) continue;
        for (size_t l = k + 1; l < frames_.size(); ++l) {
            Rect common;
            int parts = 0;
            for (const int64_t turn : {int64_t{-1}, int64_t{0}, int64_t{1}}) {
                if (turn != 0 && !span_.wraps) continue;
                const Rect part = intersect(a, frames_[l].rect.moved(turn * span_.width, 0));
                if (part.empty()) continue;
                common = part;
                ++parts;
            }
            if (parts == 0) continue;
            if (parts > 1) common = {a.x0, common.y0, a.x1, common.y1};
            if (common.x0 >= span_.width) common = common.moved(-span_.width, 0);
            neighbours_[k].push_back(static_cast<int>(l));
            neighbours_[l].push_back(static_cast<int>(k));
            pairs_.push_back({static_cast<int>(k), static_cast<int>(l), {}, common, {}, {}});
        }
    }
    pairs_of_.push_back(pairs_.size());
}

const ReducedScene::Pair* ReducedScene::pair(int k, int l) const {
    if (k > l) std::swap(k, l);
    const auto begin =
        pairs_.begin() + static_cast<std::ptrdiff_t>(pairs_of_[static_cast<size_t>(k)]);
    const auto end =
        pairs_.begin() + static_cast<std::ptrdiff_t>(pairs_of_[static_cast<size_t>(k) + 1]);
    const auto found =
        std::lower_bound(begin, end, l, [](const Pair& p, int other) { return p.second < other; });
    return found != end && found->second == l ? &*found : nullptr;
}

void ReducedScene::measure(Pair& pair, const CoarseFrames& source, const SeamOptions& options) {
    const auto first = source.get(static_cast<size_t>(pair.first));
    const auto second = source.get(static_cast<size_t>(pair.second));
    const FrameView a(*first, canvas_);
    const FrameView b(*second, canvas_);
    const Rect pixels{pair.common.x0 * side_, pair.common.y0 * side_, pair.common.x1 * side_,
                      std::min(pair.common.y1 * side_, canvas_.height)};
    pair.tone = measure_pair(a, b, pixels, canvas_, options);
    pair.cost.assign(static_cast<size_t>(pair.common.area()), 0);
    std::vector<uint8_t> differs(static_cast<size_t>(pixels.area()), 0);
    struct Block {
        float sum = 0, most = 0;
        float count = 0;
    };
    std::vector<Block> blocks(static_cast<size_t>(pair.common.width()));
    for (int64_t by = 0; by < pair.common.height(); ++by) {
        std::fill(blocks.begin(), blocks.end(), Block{});
        const int64_t end = std::min(pixels.y0 + (by + 1) * side_, pixels.y1);
        for (int64_t y = pixels.y0 + by * side_; y < end; ++y) {
            for (int64_t x = pixels.x0; x < pixels.x1; ++x) {
                const int64_t wx = canvas_.wraps && x >= canvas_.width ? x - canvas_.width : x;
                if (wx >= canvas_.width) break;
                const int64_t ia = a.at(wx, y);
                if (ia < 0) continue;
                const int64_t ib = b.at(wx, y);
                if (ib < 0) continue;
                const float ratio =
                    pair.tone.scale * squared_difference(a, ia, b, ib, pair.tone.offset);
                Block& block = blocks[static_cast<size_t>((x - pixels.x0) / side_)];
                block.sum += ratio;
                block.most = std::max(block.most, ratio);
                block.count += 1;
                if (ratio < kMoved) continue;
                differs[static_cast<size_t>((y - pixels.y0) * pixels.width() + x - pixels.x0)] = 1;
            }
        }
        uint16_t* row = pair.cost.data() + by * pair.common.width();
        for (size_t i = 0; i < blocks.size(); ++i) {
            const Block& block = blocks[i];
            if (block.count > 0) row[i] = difference_cost(block.sum / block.count, block.most);
        }
    }
    pair.sightings = find_sightings(a, pair.first, b, pair.second, pixels, canvas_, differs);
}

std::vector<MovedPlace> ReducedScene::take_sightings() {
    std::vector<MovedPlace> all;
    for (Pair& pair : pairs_) {
        std::move(pair.sightings.begin(), pair.sightings.end(), std::back_inserter(all));
        pair.sightings = {};
    }
    return all;
}

void ReducedScene::avoid(int k, int64_t x, int64_t y) {
    Frame& f = frames_[static_cast<size_t>(k)];
    const int64_t column = span_.column(x / side_, f.rect.x0);
    f.preference[static_cast<size_t>((y / side_ - f.rect.y0) * f.rect.width() + column)] =
        uint8_t{kAvoided};
}

int32_t ReducedScene::preference(int k, int64_t x, int64_t y) const {
    const Frame& f = frame(k);
    const int64_t column = span_.column(x / side_, f.rect.x0);
    return f.preference[static_cast<size_t>((y / side_ - f.rect.y0) * f.rect.width() + column)];
}

void ReducedScene::first_labels(std::vector<int16_t>& labels, std::vector<uint8_t>& fixed) const {
    const auto area = static_cast<size_t>(span_.width * span_.height);
    labels.assign(area, LabelGrid::kNobody);
    fixed.assign(any_kept_ ? area : 0, 0);
    std::vector<int16_t> best(area, INT16_MAX);
    for (size_t k = 0; k < frames_.size(); ++k) {
        const Frame& f = frames_[k];
        for (int64_t j = 0; j < f.rect.height(); ++j) {
            for (int64_t i = 0; i < f.rect.width(); ++i) {
                const auto local = static_cast<size_t>(j * f.rect.width() + i);
                if (f.covers[local] == 0) continue;
                const size_t at = block(f, i, j);
                const bool keeps = !f.kept.empty() && f.kept[local] != 0;
                if (any_kept_ && fixed[at] != 0) continue;
                if (!keeps && f.preference[local] >= best[at]) continue;
                labels[at] = static_cast<int16_t>(k);
                best[at] = f.preference[local];
                if (keeps) fixed[at] = 1;
            }
        }
    }
}

}  // namespace broadloom
