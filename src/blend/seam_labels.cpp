#include "blend/seam_labels.hpp"

#include <algorithm>

#include "blend/kept_cell.hpp"

namespace broadloom {

RegionMaps::RegionMaps(const Canvas& canvas, const CellRegion& region,
                       const std::vector<FrameGeometry>& geometry,
                       const std::vector<int>& candidates, const Kernels* kernels)
    // Frames that cover nothing stay: their cone may still hold uncovered pixels.
    : directions_(canvas, region),
      geometry_(geometry),
      kernels_(kernels),
      frames_(candidates),
      maps_(candidates.size()) {}

void LabelRegion::set(int64_t cx, int64_t cy, const std::array<Label, kCellArea>& labels) {
    if (std::all_of(labels.begin(), labels.end(), [&](Label l) { return l == labels[0]; })) {
        set(cx, cy, labels[0]);
        return;
    }
    Cell& cell = cells_[index(cx, cy)];
    if (cell.label == kMixed) {
        mixed_[cell.mixed] = labels;
        return;
    }
    cell = {kMixed, static_cast<uint32_t>(mixed_.size())};
    mixed_.push_back(labels);
}

std::vector<int> LabelRegion::owners(const Rect& pixels) const {
    std::vector<bool> present;
    const auto mark = [&](Label label) {
        const int k = weight_owner(label);
        if (k < 0) return;
        if (static_cast<size_t>(k) >= present.size()) present.resize(static_cast<size_t>(k) + 1);
        present[static_cast<size_t>(k)] = true;
    };
    const Rect r = intersect(pixels, region_.pixels());
    if (r.empty()) return {};
    const CellRegion c = cells_of(r);
    for (int64_t y = c.y0; y < c.y1; ++y) {
        for (int64_t x = c.x0; x < c.x1; ++x) {
            const Label label = cell(x - region_.x0, y - region_.y0);
            if (label != kMixed) {
                mark(label);
                continue;
            }
            const auto& labels = this->pixels(x - region_.x0, y - region_.y0);
            for (int j = 0; j < kCell; ++j) {
                for (int k = 0; k < kCell; ++k) {
                    const int64_t px = x * kCell + k;
                    const int64_t py = y * kCell + j;
                    if (px >= r.x0 && px < r.x1 && py >= r.y0 && py < r.y1) {
                        mark(labels[static_cast<size_t>(j) * kCell + static_cast<size_t>(k)]);
                    }
                }
            }
        }
    }
    std::vector<int> found;
    for (size_t k = 0; k < present.size(); ++k) {
        if (present[k]) found.push_back(static_cast<int>(k));
    }
    return found;
}

namespace {

/// One frame's part in the decision about one cell.
struct Candidate {
    int k;
    Coverage coverage;
    double score[4];
    double cone_cos;

    [[nodiscard]] double at(double tx, double ty) const {
        const double top = score[0] + (score[1] - score[0]) * tx;
        const double bottom = score[2] + (score[3] - score[2]) * tx;
        return top + (bottom - top) * ty;
    }
};

/// Nearer at all four corners, hence (both are bilinear) in the whole cell. The margin is far above
/// rounding and far below what a pixel changes.
bool nearer_everywhere(const Candidate& a, const Candidate& b) {
    for (int i = 0; i < 4; ++i) {
        if (!(a.score[i] > b.score[i] + 1e-13)) return false;
    }
    return true;
}

class CellDecision {
  public:
    CellDecision(const RegionMaps& maps, const Kernels& kernels) : maps_(maps), kernels_(kernels) {}

    void decide(int64_t cx, int64_t cy, LabelRegion& out) {
        kept_first(maps_, kernels_, cx, cy, out, [&] { decide_by_rule(cx, cy, out); });
    }

  private:
    void decide_by_rule(int64_t cx, int64_t cy, LabelRegion& out) {
        gather(cx, cy);
        if (candidates_.empty()) {
            out.set(cx, cy, kNobody);
            return;
        }
        if (const auto* winner = uniform_winner()) {
            out.set(cx, cy, static_cast<Label>(winner->k));
            return;
        }
        by_pixels(cx, cy, out);
    }

    /// Frames that cover something of the cell or whose cone reaches it.
    void gather(int64_t cx, int64_t cy) {
        candidates_.clear();
        for (size_t i = 0; i < maps_.frames().size(); ++i) {
            const CellMap& map = maps_.map(i);
            Candidate c{static_cast<int>(i), map.coverage(cx, cy), {}, map.frame().cone_cos()};
            map.corner_scores(cx, cy, c.score);
            if (c.coverage != Coverage::none ||
                *std::max_element(c.score, c.score + 4) >= c.cone_cos) {
                candidates_.push_back(c);
            }
        }
    }

    /// A frame that covers the whole cell and is nearer than every other that covers any of it.
    [[nodiscard]] const Candidate* uniform_winner() const {
        for (const Candidate& a : candidates_) {
            if (a.coverage != Coverage::full) continue;
            if (std::all_of(candidates_.begin(), candidates_.end(), [&](const Candidate& b) {
                    return &a == &b || b.coverage == Coverage::none || nearer_everywhere(a, b);
                })) {
                return &a;
            }
        }
        return nullptr;
    }

    void by_pixels(int64_t cx, int64_t cy, LabelRegion& out) {
        std::array<Label, kCellArea> labels;
        std::array<double, kCellArea> best;
        labels.fill(kNobody);
        best.fill(-2);
        for (const Candidate& c : candidates_) {
            bool inside[kCellArea];
            if (c.coverage == Coverage::part) {
                const CellMap& map = maps_.map(static_cast<size_t>(c.k));
                CellCoords coords;
                int64_t ox = 0;
                int64_t oy = 0;
                map.coordinates(cx, cy, kernels_, coords, ox, oy);
                map.covered(coords, ox, oy, inside);
            } else {
                std::fill(inside, inside + kCellArea, c.coverage == Coverage::full);
            }
            for (int j = 0; j < kCell; ++j) {
                for (int k = 0; k < kCell; ++k) {
                    const size_t at = static_cast<size_t>(j) * kCell + static_cast<size_t>(k);
                    const double score = c.at((k + 0.5) / kCell, (j + 0.5) / kCell);
                    const bool covered_before = labels[at] >= 0;
                    if (inside[at]) {
                        if (!covered_before || score > best[at]) {
                            labels[at] = static_cast<Label>(c.k);
                            best[at] = score;
                        }
                    } else if (!covered_before && score >= c.cone_cos && score > best[at]) {
                        labels[at] = orphan_label(c.k);
                        best[at] = score;
                    }
                }
            }
        }
        out.set(cx, cy, labels);
    }

    const RegionMaps& maps_;
    const Kernels& kernels_;
    std::vector<Candidate> candidates_;
};

}  // namespace

LabelRegion NearestCentreLabels::label(const RegionMaps& maps, const Kernels& kernels) const {
    const CellRegion& region = maps.region();
    LabelRegion out(region);
    CellDecision decision(maps, kernels);
    for (int64_t cy = 0; cy < region.height(); ++cy) {
        for (int64_t cx = 0; cx < region.width(); ++cx) decision.decide(cx, cy, out);
    }
    return out;
}

void NearestCentreLabels::label_cell(const RegionMaps& maps, const Kernels& kernels, int64_t cx,
                                     int64_t cy, LabelRegion& out) {
    CellDecision(maps, kernels).decide(cx, cy, out);
}

}  // namespace broadloom
