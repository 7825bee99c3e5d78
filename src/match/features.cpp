#include "match/features.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/features2d.hpp>
#include <tuple>

namespace broadloom {

namespace {

/// The library doubles the image by interpolation between pixel centres, which moves every point
/// by a quarter of a pixel, and counts from the first pixel's centre: x = x_library - 1/4 + 1/2.
constexpr double kFromLibrary = 0.25;

/// Room around a piece: what a descriptor of the largest kept point reaches, 3 sqrt(2) (4 + 1) / 2
/// = 10.6 standard deviations (Lowe 2004, 6.1), so that no point changes with the cut.
constexpr int64_t kMargin = 56;
/// Largest diameter kept, reduced pixels; a point's diameter is twice its standard deviation.
constexpr float kLargestPoint = 2 * kMargin / 10.6F;
/// Pixels of a piece, margins included: the scale space holds 11 planes of floats at twice the
/// width and height, and a third of that again in its further octaves.
constexpr int64_t kPiecePixels = 760'000;
constexpr size_t kScaleSpaceBytes = 250;  // a pixel

/// Difference of Gaussians that a point must show, of full scale (Lowe 2004, section 4 has 0.03).
/// Half of what is usual, for hazy distance; the grain of a sky lies below it.
constexpr double kContrast = 0.024;
constexpr double kEdgeRatio = 10;  // Lowe 2004, 4.1
constexpr double kSigma = 1.6;     // Lowe 2004, 3.3
constexpr int kOctaveLayers = 3;   // Lowe 2004, 3.2

constexpr size_t kCellColumns = 8, kCellRows = 6;

/// A point as the library gave it, in its piece's own coordinates, and as ours.
struct Found {
    Feature point;
    size_t piece = 0;
    cv::KeyPoint own;
};

/// Strongest first; ties by place, so that the order is one order.
bool stronger(const Found& a, const Found& b) {
    return std::tuple(-a.point.response, a.point.y, a.point.x, a.point.size, a.point.angle_deg) <
           std::tuple(-b.point.response, b.point.y, b.point.x, b.point.size, b.point.angle_deg);
}

/// Square roots of a descriptor that sums to 1 (R. Arandjelovic, A. Zisserman, CVPR 2012): the
/// distance of two is then the Hellinger distance of the histograms.
std::array<uint8_t, kDescriptorBytes> square_rooted(const float* descriptor) {
    float sum = 0;
    for (size_t i = 0; i < kDescriptorBytes; ++i) sum += descriptor[i];
    std::array<uint8_t, kDescriptorBytes> out{};
    if (!(sum > 0)) return out;
    for (size_t i = 0; i < kDescriptorBytes; ++i) {
        out[i] =
            static_cast<uint8_t>(std::min(255.0F, 512 * std::sqrt(descriptor[i] / sum) + 0.5F));
    }
    return out;
}

/// How many equal parts a side is cut into.
struct Cut {
    int64_t columns = 1, rows = 1;
};

Cut cut_for(int64_t width, int64_t height) {
    Cut best;
    int64_t best_work = 0;
    // The cut into pieces of allowed size with the least work.
    for (int64_t columns = 1; columns <= 64; ++columns) {
        for (int64_t rows = 1; rows <= 64; ++rows) {
            const int64_t w = (width + columns - 1) / columns + (columns > 1 ? 2 * kMargin : 0);
            const int64_t h = (height + rows - 1) / rows + (rows > 1 ? 2 * kMargin : 0);
            if (w * h > kPiecePixels) continue;
            const int64_t work = w * h * columns * rows;
            if (best_work == 0 || work < best_work) {
                best_work = work;
                best = {columns, rows};
            }
            break;
        }
    }
    return best;
}

struct Piece {
    cv::Rect inner, outer;  ///< what its points come from, and that with the margin
};

std::vector<Piece> pieces_of(const GreyImage& grey) {
    const Cut cut = cut_for(grey.width, grey.height);
    const cv::Rect all(0, 0, static_cast<int>(grey.width), static_cast<int>(grey.height));
    const auto margin = static_cast<int>(kMargin);
    std::vector<Piece> pieces;
    for (int64_t j = 0; j < cut.rows; ++j) {
        for (int64_t i = 0; i < cut.columns; ++i) {
            const auto left = static_cast<int>(grey.width * i / cut.columns);
            const auto right = static_cast<int>(grey.width * (i + 1) / cut.columns);
            const auto top = static_cast<int>(grey.height * j / cut.rows);
            const auto bottom = static_cast<int>(grey.height * (j + 1) / cut.rows);
            Piece p;
            p.inner = {left, top, right - left, bottom - top};
            p.outer = cv::Rect(left - margin, top - margin, right - left + 2 * margin,
                               bottom - top + 2 * margin) &
                      all;
            pieces.push_back(p);
        }
    }
    return pieces;
}

/// All points of a piece, not described yet.
void find_in_piece(cv::SIFT& sift, const cv::Mat& image, const GreyImage& grey,
                   const std::vector<Piece>& pieces, size_t piece, std::vector<Found>& out) {
    const cv::Rect& inner = pieces[piece].inner;
    const cv::Rect& outer = pieces[piece].outer;
    std::vector<cv::KeyPoint> points;
    sift.detect(image(outer), points);
    for (const cv::KeyPoint& p : points) {
        if (!(p.size <= kLargestPoint)) continue;
        const double x = p.pt.x + outer.x + kFromLibrary;
        const double y = p.pt.y + outer.y + kFromLibrary;
        if (x < inner.x || x >= inner.x + inner.width || y < inner.y ||
            y >= inner.y + inner.height) {
            continue;
        }
        const Vec2 full = grey.to_full({x, y});
        Found f;
        f.point = {static_cast<float>(full.x), static_cast<float>(full.y),
                   p.size * static_cast<float>(grey.denominator), p.angle, p.response};
        f.piece = piece;
        f.own = p;
        out.push_back(f);
    }
}

/// Indices of the chosen ones: a quota a cell, then the strongest of the rest.
std::vector<size_t> spread(const std::vector<Found>& sorted, int64_t width, int64_t height,
                           size_t most) {
    const size_t quota = most / (kCellColumns * kCellRows);
    std::array<size_t, kCellColumns * kCellRows> taken{};
    std::vector<uint8_t> chosen(sorted.size(), 0);
    size_t count = 0;
    for (size_t i = 0; i < sorted.size() && count < most; ++i) {
        const Feature& p = sorted[i].point;
        const auto cell = [](double at, int64_t side, size_t cells) {
            const double share = at / static_cast<double>(side) * static_cast<double>(cells);
            return static_cast<size_t>(std::clamp(share, 0.0, static_cast<double>(cells - 1)));
        };
        size_t& here =
            taken[cell(p.y, height, kCellRows) * kCellColumns + cell(p.x, width, kCellColumns)];
        if (here >= quota) continue;
        ++here;
        chosen[i] = 1;
        ++count;
    }
    for (size_t i = 0; i < sorted.size() && count < most; ++i) {
        if (chosen[i] != 0) continue;
        chosen[i] = 1;
        ++count;
    }
    std::vector<size_t> out;
    out.reserve(count);
    for (size_t i = 0; i < sorted.size(); ++i) {
        if (chosen[i] != 0) out.push_back(i);
    }
    return out;
}

/// The library's own threads would fight with ours and give points in an order of their own.
void keep_library_single_threaded() {
    static const bool once = [] {
        cv::setNumThreads(1);
        return true;
    }();
    static_cast<void>(once);
}

}  // namespace

FeatureSet find_features(const GreyImage& grey, int64_t full_width, int64_t full_height,
                         size_t most) {
    keep_library_single_threaded();
    FeatureSet out;
    out.width = full_width;
    out.height = full_height;
    if (most == 0 || grey.width < 8 || grey.height < 8) return out;

    // The library does not write to its input.
    const cv::Mat image(static_cast<int>(grey.height), static_cast<int>(grey.width), CV_8UC1,
                        const_cast<uint8_t*>(grey.pixels.data()));
    const cv::Ptr<cv::SIFT> sift =
        cv::SIFT::create(0, kOctaveLayers, kContrast, kEdgeRatio, kSigma);
    const std::vector<Piece> pieces = pieces_of(grey);
    std::vector<Found> found;
    for (size_t i = 0; i < pieces.size(); ++i) {
        find_in_piece(*sift, image, grey, pieces, i, found);
    }
    std::sort(found.begin(), found.end(), stronger);
    const std::vector<size_t> chosen = spread(found, full_width, full_height, most);
    out.points.reserve(chosen.size());
    for (const size_t i : chosen) out.points.push_back(found[i].point);

    // Only what was chosen is described, though a piece's scale space is built once more for it:
    // a textured frame has many times as many points as are wanted.
    out.descriptors.resize(chosen.size() * kDescriptorBytes);
    for (size_t piece = 0; piece < pieces.size(); ++piece) {
        std::vector<cv::KeyPoint> points;
        std::vector<size_t> place;
        for (size_t i = 0; i < chosen.size(); ++i) {
            if (found[chosen[i]].piece != piece) continue;
            points.push_back(found[chosen[i]].own);
            place.push_back(i);
        }
        if (points.empty()) continue;
        cv::Mat descriptors;
        sift->compute(image(pieces[piece].outer), points, descriptors);
        for (size_t k = 0; k < place.size(); ++k) {
            const auto rooted = square_rooted(descriptors.ptr<float>(static_cast<int>(k)));
            std::copy(
                rooted.begin(), rooted.end(),
                out.descriptors.begin() + static_cast<std::ptrdiff_t>(place[k] * kDescriptorBytes));
        }
    }
    return out;
}

size_t feature_work_bytes() { return static_cast<size_t>(kPiecePixels) * kScaleSpaceBytes; }

}  // namespace broadloom
