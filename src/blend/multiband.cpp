#include "blend/multiband.hpp"

#include <algorithm>

namespace broadloom {

namespace {

int64_t coarse_start(int64_t a) { return a % 2 == 0 ? a / 2 - 1 : floor_div(a, 2); }
int64_t coarse_end(int64_t b) { return floor_div(b - 1, 2) + 2; }

}  // namespace

BandRanges band_ranges(const Rect& block, int bands) {
    BandRanges r;
    r.bands = bands;
    r.blend[0] = block;
    for (size_t l = 1; l <= static_cast<size_t>(bands); ++l) {
        const Rect& f = r.blend[l - 1];
        r.blend[l] = {coarse_start(f.x0), coarse_start(f.y0), coarse_end(f.x1), coarse_end(f.y1)};
    }
    r.gauss[static_cast<size_t>(bands)] = r.blend[static_cast<size_t>(bands)];
    for (auto l = static_cast<size_t>(bands); l > 0; --l) {
        const Rect& c = r.gauss[l];
        r.gauss[l - 1] =
            hull(r.blend[l - 1], {2 * c.x0 - 2, 2 * c.y0 - 2, 2 * c.x1 + 1, 2 * c.y1 + 1});
    }
    return r;
}

template <typename T>
void MultibandCorrection<T>::begin(const BandRanges& ranges) {
    ranges_ = ranges;
    for (size_t l = 0; l <= static_cast<size_t>(ranges.bands); ++l) {
        for (WorkPlane<T>& p : sum_[l]) {
            p.reset(ranges.blend[l]);
            for (int64_t y = p.rect().y0; y < p.rect().y1; ++y) {
                std::fill_n(p.at(p.rect().x0, y), p.rect().width(), T{0});
            }
        }
    }
    const auto widest = static_cast<size_t>(ranges.gauss[0].width());
    scratch_.resize(std::max(scratch_.size(), widest + 64));
    expanded_.resize(std::max(expanded_.size(), widest + 64));
}

template <typename T>
void MultibandCorrection<T>::reduce(const WorkPlane<T>& from, WorkPlane<T>& to) {
    const Rect& r = to.rect();
    for (int64_t y = r.y0; y < r.y1; ++y) {
        const T* rows[5];
        for (int i = 0; i < 5; ++i) rows[i] = from.at(2 * r.x0 - 2, 2 * y - 2 + i);
        rows_.reduce_row(rows, scratch_.data(), to.at(r.x0, y), r.width());
    }
}

/// EXPAND of row y over [fine.x0, fine.x1) into expanded_, whose first value is that of the even
/// column at or before fine.x0.
template <typename T>
void MultibandCorrection<T>::expand_onto_row(const WorkPlane<T>& coarse, const Rect& fine,
                                             int64_t y) {
    const int64_t first = floor_div(fine.x0, 2);
    const int64_t pairs = floor_div(fine.x1 - 1, 2) - first + 1;
    const bool odd = floor_div(y, 2) * 2 != y;
    const int64_t cy = floor_div(y, 2);
    // An odd start computes one value too many, from the plane's margin; it is not used.
    const T* rows[3] = {odd ? nullptr : coarse.at(first - 1, cy - 1), coarse.at(first - 1, cy),
                        coarse.at(first - 1, cy + 1)};
    rows_.expand_row(rows, odd, scratch_.data(), expanded_.data(), pairs);
}

template <typename T>
void MultibandCorrection<T>::add(const std::array<WorkPlane<T>, 3>& difference,
                                 const WorkPlane<T>& weight) {
    const auto bands = static_cast<size_t>(ranges_.bands);
    for (size_t l = 1; l <= bands; ++l) {
        weight_[l].reset(ranges_.gauss[l]);
        reduce(l == 1 ? weight : weight_[l - 1], weight_[l]);
    }
    for (size_t c = 0; c < 3; ++c) {
        for (size_t l = 1; l <= bands; ++l) {
            gauss_[l].reset(ranges_.gauss[l]);
            reduce(l == 1 ? difference[c] : gauss_[l - 1], gauss_[l]);
        }
        for (size_t l = 0; l <= bands; ++l) {
            const WorkPlane<T>& fine = l == 0 ? difference[c] : gauss_[l];
            const WorkPlane<T>& w = l == 0 ? weight : weight_[l];
            const Rect& r = ranges_.blend[l];
            for (int64_t y = r.y0; y < r.y1; ++y) {
                const T* expanded = nullptr;
                if (l < bands) {
                    expand_onto_row(gauss_[l + 1], r, y);
                    expanded = expanded_.data() + (r.x0 - floor_div(r.x0, 2) * 2);
                }
                rows_.accumulate_row(sum_[l][c].at(r.x0, y), fine.at(r.x0, y), expanded,
                                     w.at(r.x0, y), r.width());
            }
        }
    }
}

template <typename T>
const std::array<WorkPlane<T>, 3>& MultibandCorrection<T>::finish() {
    for (auto l = static_cast<size_t>(ranges_.bands); l > 0; --l) {
        const Rect& r = ranges_.blend[l - 1];
        for (size_t c = 0; c < 3; ++c) {
            for (int64_t y = r.y0; y < r.y1; ++y) {
                expand_onto_row(sum_[l][c], r, y);
                rows_.add_row(sum_[l - 1][c].at(r.x0, y),
                              expanded_.data() + (r.x0 - floor_div(r.x0, 2) * 2), r.width());
            }
        }
    }
    return sum_[0];
}

template class MultibandCorrection<int16_t>;
template class MultibandCorrection<float>;

}  // namespace broadloom
