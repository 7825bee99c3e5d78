#include "settle/seam_levels.hpp"

#include <algorithm>
#include <utility>

namespace broadloom {

namespace {

/// Frames of a view by place: a table instead of a search for each pixel.
class Places {
  public:
    explicit Places(const std::vector<int>& frames)
        : count_(frames.size()),
          first_(frames.front()),
          place_(static_cast<size_t>(frames.back() - frames.front()) + 1, 0) {
        for (size_t i = 0; i < frames.size(); ++i) {
            place_[static_cast<size_t>(frames[i] - first_)] = i;
        }
    }
    [[nodiscard]] size_t of(int frame) const { return place_[static_cast<size_t>(frame - first_)]; }
    [[nodiscard]] size_t of(int k, int l) const { return of(k) * count_ + of(l); }

  private:
    size_t count_;
    int first_;
    std::vector<size_t> place_;
};

std::vector<const ReducedScene::Pair*> pairs_among(const ReducedScene& scene,
                                                   const std::vector<int>& frames) {
    std::vector<const ReducedScene::Pair*> pairs;
    pairs.reserve(frames.size() * frames.size());
    for (const int k : frames) {
        for (const int l : frames) pairs.push_back(k == l ? nullptr : scene.pair(k, l));
    }
    return pairs;
}

class ReducedView final : public SeamView {
  public:
    ReducedView(const ReducedScene& scene, const std::vector<int>& frames)
        : scene_(scene),
          span_(scene.span()),
          area_(static_cast<int32_t>(scene.side() * scene.side())),
          places_(frames),
          pairs_(pairs_among(scene, frames)) {}

    [[nodiscard]] bool covers(int frame, int64_t x, int64_t y) const override {
        const auto& f = scene_.frame(frame);
        const int64_t column = span_.column(x, f.rect.x0);
        const int64_t row = y - f.rect.y0;
        return column >= 0 && column < f.rect.width() && row >= 0 && row < f.rect.height() &&
               f.covers[static_cast<size_t>(row * f.rect.width() + column)] != 0;
    }
    [[nodiscard]] int32_t difference(int k, int l, int64_t x, int64_t y) const override {
        const ReducedScene::Pair& p = *pairs_[places_.of(k, l)];
        return p.cost[static_cast<size_t>((y - p.common.y0) * p.common.width() +
                                          span_.column(x, p.common.x0))];
    }
    [[nodiscard]] int32_t preference(int frame, int64_t x, int64_t y) const override {
        const auto& f = scene_.frame(frame);
        return area_ * f.preference[static_cast<size_t>((y - f.rect.y0) * f.rect.width() +
                                                        span_.column(x, f.rect.x0))];
    }

  private:
    const ReducedScene& scene_;
    CanvasSpan span_;
    int32_t area_;
    Places places_;
    std::vector<const ReducedScene::Pair*> pairs_;
};

class CoarseView final : public SeamView {
  public:
    CoarseView(const ReducedScene& scene, const CoarseFrames& source,
               const std::vector<int>& frames)
        : scene_(scene), places_(frames), pairs_(pairs_among(scene, frames)) {
        for (const int k : frames) {
            held_.push_back(source.get(static_cast<size_t>(k)));
            views_.emplace_back(*held_.back(), scene.canvas());
        }
    }

    [[nodiscard]] bool covers(int frame, int64_t x, int64_t y) const override {
        return views_[places_.of(frame)].at(x, y) >= 0;
    }
    [[nodiscard]] int32_t difference(int k, int l, int64_t x, int64_t y) const override {
        if (k > l) std::swap(k, l);
        const FrameView& a = views_[places_.of(k)];
        const FrameView& b = views_[places_.of(l)];
        const PairTone& tone = pairs_[places_.of(k, l)]->tone;
        const float ratio =
            tone.scale * squared_difference(a, a.at(x, y), b, b.at(x, y), tone.offset);
        return difference_cost(ratio, ratio);
    }
    [[nodiscard]] int32_t preference(int frame, int64_t x, int64_t y) const override {
        return scene_.preference(frame, x, y);
    }

  private:
    const ReducedScene& scene_;
    Places places_;
    std::vector<const ReducedScene::Pair*> pairs_;
    std::vector<std::shared_ptr<const CoarseFrame>> held_;
    std::vector<FrameView> views_;
};

}  // namespace

std::unique_ptr<SeamView> ReducedLevel::view(const std::vector<int>& frames) const {
    return std::make_unique<ReducedView>(scene_, frames);
}

CoarseLevel::CoarseLevel(const ReducedScene& scene, const CoarseFrames& source,
                         std::vector<int16_t>& labels)
    : SeamLevel(scene.canvas(), labels, 1), scene_(scene), source_(source) {
    if (scene.any_kept()) fixed_.assign(labels.size(), 0);
}

Rect CoarseLevel::region(int frame) const {
    return rect_on_canvas(source_.rect(static_cast<size_t>(frame)), span());
}

std::unique_ptr<SeamView> CoarseLevel::view(const std::vector<int>& frames) const {
    return std::make_unique<CoarseView>(scene_, source_, frames);
}

void CoarseLevel::take_over(int frame, const std::vector<int16_t>& reduced) {
    const Rect r = region(frame);
    if (r.empty()) return;
    const auto held = source_.get(static_cast<size_t>(frame));
    const FrameView view(*held, span());
    const int64_t blocks = scene_.span().width;
    for (int64_t y = r.y0; y < r.y1; ++y) {
        const int16_t* row = reduced.data() + y / scene_.side() * blocks;
        for (int64_t rx = r.x0; rx < r.x1; ++rx) {
            const int64_t x = rx >= span().width ? rx - span().width : rx;
            const int64_t i = view.at(x, y);
            if (i < 0) continue;
            if (!fixed_.empty()) {
                uint8_t& fixed = fixed_[static_cast<size_t>(y * span().width + x)];
                const bool keeps = (held->flags[static_cast<size_t>(i)] & kKeep) != 0;
                if (keeps && (fixed == 0 || frame < label(x, y))) set_label(x, y, frame);
                if (keeps) fixed = 1;
                if (fixed != 0) continue;
            }
            if (row[x / scene_.side()] == frame || label(x, y) < 0) set_label(x, y, frame);
        }
    }
}

void CoarseLevel::give_away(int frame) {
    const Rect r = region(frame);
    std::vector<std::pair<int64_t, int64_t>> places;  // x, y
    for (int64_t y = r.y0; y < r.y1; ++y) {
        for (int64_t rx = r.x0; rx < r.x1; ++rx) {
            const int64_t x = rx >= span().width ? rx - span().width : rx;
            if (label(x, y) == frame && !fixed(x, y) && scene_.preference(frame, x, y) == kAvoided)
                places.emplace_back(x, y);
        }
    }
    if (places.empty()) return;
    std::vector<int> others = scene_.neighbours(frame);
    std::sort(others.begin(), others.end());
    const CoarseView view(scene_, source_, others);
    for (const auto& [x, y] : places) {
        int32_t least = kAvoided;
        for (const int k : others) {
            if (!view.covers(k, x, y) || view.preference(k, x, y) >= least) continue;
            least = view.preference(k, x, y);
            set_label(x, y, k);
        }
    }
}

}  // namespace broadloom
