#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core.hpp>
#include <opencv2/flann.hpp>

#include "base/parallel.hpp"
#include "match/pairs.hpp"

namespace broadloom {

namespace {

/// Strongest features of a frame that take part.
constexpr size_t kFeaturesPerFrame = 400;
constexpr int kNeighbours = 12;
constexpr int kTrees = 4;
constexpr int kChecks = 48;
constexpr uint64_t kSeed = 20'07;
/// Votes below this are chance.
constexpr double kLeastVotes = 2;

/// Descriptors of all frames one below the other, and whose each is.
struct Pool {
    cv::Mat rows;
    std::vector<size_t> frame;
};

Pool pool_of(std::span<const FeatureSet> frames) {
    Pool pool;
    std::vector<std::pair<size_t, size_t>> chosen;
    for (size_t f = 0; f < frames.size(); ++f) {
        std::vector<size_t> order(frames[f].points.size());
        for (size_t i = 0; i < order.size(); ++i) order[i] = i;
        std::stable_sort(order.begin(), order.end(), [&](size_t p, size_t q) {
            return frames[f].points[p].response > frames[f].points[q].response;
        });
        order.resize(std::min(order.size(), kFeaturesPerFrame));
        for (const size_t i : order) chosen.emplace_back(f, i);
    }
    pool.rows.create(static_cast<int>(chosen.size()), static_cast<int>(kDescriptorBytes), CV_32F);
    pool.frame.reserve(chosen.size());
    for (size_t r = 0; r < chosen.size(); ++r) {
        const auto [f, i] = chosen[r];
        const uint8_t* from = frames[f].descriptors.data() + i * kDescriptorBytes;
        std::copy(from, from + kDescriptorBytes, pool.rows.ptr<float>(static_cast<int>(r)));
        pool.frame.push_back(f);
    }
    return pool;
}

}  // namespace

std::vector<std::pair<size_t, size_t>> similar_pairs(std::span<const FeatureSet> frames,
                                                     size_t most, int threads) {
    const size_t count = frames.size();
    Pool pool = pool_of(frames);
    if (count < 2 || pool.rows.rows <= kNeighbours) return {};

    // The trees' random choices come from this thread's generator of the library.
    const cv::RNG kept = cv::theRNG();
    cv::theRNG() = cv::RNG(kSeed);
    cv::flann::GenericIndex<cvflann::L2<float>> index(pool.rows,
                                                      cvflann::KDTreeIndexParams(kTrees));
    cv::theRNG() = kept;

    // Each frame's votes are its own, so that no sum depends on who was first.
    std::vector<std::vector<float>> votes(count, std::vector<float>(count, 0));
    std::vector<size_t> begin(count + 1, 0);
    for (const size_t f : pool.frame) ++begin[f + 1];
    for (size_t f = 0; f < count; ++f) begin[f + 1] += begin[f];
    for_each_index(count, threads, [&](size_t f, int) {
        const size_t rows = begin[f + 1] - begin[f];
        if (rows == 0) return;
        const cv::Mat query =
            pool.rows.rowRange(static_cast<int>(begin[f]), static_cast<int>(begin[f + 1]));
        cv::Mat found(query.rows, kNeighbours, CV_32S);
        cv::Mat distance(query.rows, kNeighbours, CV_32F);
        index.knnSearch(query, found, distance, kNeighbours, cvflann::SearchParams(kChecks));
        for (int r = 0; r < query.rows; ++r) {
            const int* neighbour = found.ptr<int>(r);
            const float* squared = distance.ptr<float>(r);
            // The farthest neighbour is what chance gives; a vote weighs by how much nearer it is.
            const double chance = std::sqrt(static_cast<double>(squared[kNeighbours - 1]));
            if (!(chance > 0)) continue;
            std::array<size_t, kNeighbours> voted{};
            size_t voted_count = 0;
            for (int k = 0; k < kNeighbours; ++k) {
                if (neighbour[k] < 0) continue;
                const size_t other = pool.frame[static_cast<size_t>(neighbour[k])];
                const auto end = voted.begin() + static_cast<std::ptrdiff_t>(voted_count);
                if (other == f || std::find(voted.begin(), end, other) != end) continue;
                voted[voted_count++] = other;
                const double weight = 1 - std::sqrt(static_cast<double>(squared[k])) / chance;
                if (weight > 0.1) votes[f][other] += static_cast<float>(weight);
            }
        }
    });

    std::vector<std::pair<size_t, size_t>> pairs;
    for (size_t f = 0; f < count; ++f) {
        std::vector<std::pair<double, size_t>> partners;
        for (size_t g = 0; g < count; ++g) {
            const double sum = static_cast<double>(votes[f][g]) + static_cast<double>(votes[g][f]);
            if (g != f && sum >= kLeastVotes) partners.emplace_back(-sum, g);
        }
        std::sort(partners.begin(), partners.end());
        partners.resize(std::min(partners.size(), most));
        for (const auto& [ignored, g] : partners)
            pairs.emplace_back(std::min(f, g), std::max(f, g));
    }
    std::sort(pairs.begin(), pairs.end());
    pairs.erase(std::unique(pairs.begin(), pairs.end()), pairs.end());
    return pairs;
}

}  // namespace broadloom
