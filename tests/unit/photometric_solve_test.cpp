/// Gains and vignetting from made-up samples whose truth is known. What is asked for (gains within
/// 2 %, the curve within 2 % of its value at the corner) is what an eye does not see at a seam.
#include "align/photometric_solve.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <vector>

#include "broadloom/photometry.hpp"

namespace broadloom {
namespace {

using Three = std::array<double, 3>;

/// Deterministic on every platform: the standard's engines are exact, its distributions are not.
class Dice {
  public:
    explicit Dice(uint32_t seed) : engine_(seed) {}
    double unit() { return engine_() * (1.0 / 4294967296.0); }
    double between(double low, double high) { return low + (high - low) * unit(); }
    double normal() {  // sum of twelve: variance 1
        double sum = -6;
        for (int i = 0; i < 12; ++i) sum += unit();
        return sum;
    }

  private:
    std::mt19937 engine_;
};

double curve(const Three& v, double r) {
    const double r2 = r * r;
    return 1 + r2 * (v[0] + r2 * (v[1] + r2 * v[2]));
}

/// Frames of 3 x 2 on a plane, captured row by row.
struct Grid {
    size_t rows = 5, columns = 8;
    double overlap = 0.35;
    Three vignetting{-0.3, 0.05, 0};
    double noise_levels = 1.5;    ///< of 255, on the mean of a patch
    double outliers = 0.1;        ///< share of samples whose b shows something else
    double gain_stops = 1.0 / 3;  ///< standard deviation
    double colour_stops = 0.03;
    double drift_stops = 0;  ///< from the first frame to the last
    size_t a_pair = 100;
    uint32_t seed = 1;
};

struct Truth {
    PhotometricInput input;  ///< without samples
    std::vector<Three> gains;
    std::vector<PhotometricSample> samples;
};

Truth make(const Grid& grid) {
    constexpr double kWidth = 3, kHeight = 2;
    Dice dice(grid.seed);
    Truth truth;
    const size_t n = grid.rows * grid.columns;
    truth.input.frames = n;
    truth.input.camera_of_frame.assign(n, 0);
    for (size_t i = 0; i < n; ++i) {
        const double along = n > 1 ? static_cast<double>(i) / static_cast<double>(n - 1) - 0.5 : 0;
        const double stops = grid.drift_stops * along + grid.gain_stops * dice.normal();
        Three gain{};
        for (double& g : gain) g = std::exp2(stops + grid.colour_stops * dice.normal());
        truth.gains.push_back(gain);
    }
    for (size_t c = 0; c < 3; ++c) {
        double sum = 0;
        for (const Three& gain : truth.gains) sum += std::log(gain[c]);
        for (Three& gain : truth.gains) gain[c] /= std::exp(sum / static_cast<double>(n));
    }
    const double step_x = kWidth * (1 - grid.overlap);
    const double step_y = kHeight * (1 - grid.overlap);
    const double half_diagonal = std::hypot(kWidth, kHeight) / 2;
    const auto record = [&](double light, double gain, double r) {
        const double encoded = srgb_encode(light * curve(grid.vignetting, r) / gain);
        return static_cast<float>(srgb_decode(encoded + grid.noise_levels / 255 * dice.normal()));
    };
    const auto pair = [&](size_t a, size_t b, double dx, double dy) {
        for (size_t k = 0; k < grid.a_pair; ++k) {
            PhotometricSample s;
            s.a = a;
            s.b = b;
            // From a's middle, in the part that b sees.
            const double x = dice.between(std::max(0.0, dx), std::min(kWidth, kWidth + dx)) - 1.5;
            const double y = dice.between(std::max(0.0, dy), std::min(kHeight, kHeight + dy)) - 1;
            s.radius_a = static_cast<float>(std::hypot(x, y) / half_diagonal);
            s.radius_b = static_cast<float>(std::hypot(x - dx, y - dy) / half_diagonal);
            const bool moved = dice.unit() < grid.outliers;
            for (size_t c = 0; c < 3; ++c) {
                const double light = dice.between(0.15, 0.35);
                const double other = moved ? light * dice.between(0.4, 2) : light;
                s.value_a[c] = record(light, truth.gains[a][c], s.radius_a);
                s.value_b[c] = record(other, truth.gains[b][c], s.radius_b);
            }
            truth.samples.push_back(s);
        }
    };
    for (size_t row = 0; row < grid.rows; ++row) {
        for (size_t column = 0; column < grid.columns; ++column) {
            const size_t i = row * grid.columns + column;
            if (column + 1 < grid.columns) pair(i, i + 1, step_x, 0);
            if (row + 1 == grid.rows) continue;
            pair(i, i + grid.columns, 0, step_y);
            if (column + 1 < grid.columns) pair(i, i + grid.columns + 1, step_x, step_y);
            if (column > 0) pair(i, i + grid.columns - 1, -step_x, step_y);
        }
    }
    return truth;
}

PhotometricResult solve(const Truth& truth) {
    PhotometricInput input = truth.input;
    input.samples = truth.samples;
    return solve_photometry(input);
}

/// The largest relative error of a gain.
double worst_gain(const PhotometricResult& result, const std::vector<Three>& truth) {
    double worst = 0;
    for (size_t i = 0; i < truth.size(); ++i)
        for (size_t c = 0; c < 3; ++c)
            worst = std::max(worst, std::abs(result.gains[i][c] / truth[i][c] - 1));
    return worst;
}

double corner_error(const PhotometricResult& result, const Three& truth, size_t camera = 0) {
    return std::abs(curve(result.vignetting[camera], 1) / curve(truth, 1) - 1);
}

/// Largest relative error anywhere on the curve.
double curve_error(const PhotometricResult& result, const Three& truth) {
    double worst = 0;
    for (double r = 0; r <= 1; r += 0.01)
        worst = std::max(worst, std::abs(curve(result.vignetting[0], r) / curve(truth, r) - 1));
    return worst;
}

}  // namespace

TEST_CASE("gains and vignetting come out within 2 % in spite of noise and of what moved",
          "[photometry]") {
    const Three vignetting =
        GENERATE(Three{-0.3, 0.05, 0}, Three{-0.22, -0.11, -0.02}, Three{0, 0, 0});
    const uint32_t seed = GENERATE(1U, 2U, 3U);
    Grid grid;
    grid.vignetting = vignetting;
    grid.seed = seed;
    const Truth truth = make(grid);
    const PhotometricResult result = solve(truth);
    CAPTURE(seed, vignetting[0], result.vignetting[0][0], result.vignetting[0][1],
            result.vignetting[0][2]);
    CHECK(worst_gain(result, truth.gains) < 0.02);
    CHECK(corner_error(result, vignetting) < 0.02);
    CHECK(curve_error(result, vignetting) < 0.02);
    // A third of a stop on each of two frames differs by 0.47; the median of its size is 0.32.
    CHECK(result.spread_before_stops > 0.15);
    CHECK(result.spread_after_stops < 0.02);

    if (vignetting[0] != 0) {
        PhotometricInput without = truth.input;
        without.samples = truth.samples;
        without.vignetting = false;
        CHECK(corner_error(solve_photometry(without), vignetting) > 0.05);
    }
    if (std::getenv("BROADLOOM_FIGURES") != nullptr)
        std::printf("v %.2f seed %u: gains %.4f corner %.4f curve %.4f spread %.3f -> %.4f\n",
                    vignetting[0], seed, worst_gain(result, truth.gains),
                    corner_error(result, vignetting), curve_error(result, vignetting),
                    result.spread_before_stops, result.spread_after_stops);
}

TEST_CASE("the geometric mean of the gains is 1 in each channel", "[photometry]") {
    const PhotometricResult result = solve(make({}));
    for (size_t c = 0; c < 3; ++c) {
        double sum = 0;
        for (const Three& gain : result.gains) sum += std::log(gain[c]);
        CHECK(std::abs(sum) < 1e-9);  // 40 logs of rounding noise
    }
}

TEST_CASE("light that drifts is followed and not pulled back", "[photometry]") {
    // An hour towards evening: 60 frames in six rows, and in a single row, where each gain hangs on
    // its neighbour's and errors add up over 59 links (hence less noise there).
    const size_t rows = GENERATE(size_t{6}, size_t{1});
    Grid grid;
    grid.rows = rows;
    grid.columns = 60 / rows;
    grid.drift_stops = 1.5;
    grid.gain_stops = 0.05;
    grid.colour_stops = 0.01;
    if (rows == 1) grid.noise_levels = 0.3;
    const Truth truth = make(grid);
    const PhotometricResult result = solve(truth);
    CHECK(worst_gain(result, truth.gains) < 0.02);

    // A prior as narrow as the jitter and few samples, to show that it is the drift that keeps the
    // slope.
    grid.a_pair = 6;
    grid.noise_levels = 0.3;
    const Truth thin = make(grid);
    PhotometricInput narrow = thin.input;
    narrow.samples = thin.samples;
    narrow.prior_stops = 0.05;
    const double with = worst_gain(solve_photometry(narrow), thin.gains);
    narrow.drift = false;
    const double without = worst_gain(solve_photometry(narrow), thin.gains);
    if (std::getenv("BROADLOOM_FIGURES") != nullptr)
        std::printf("drift, %zu rows: gains %.4f; narrow prior %.4f, without drift %.4f\n", rows,
                    worst_gain(result, truth.gains), with, without);
    if (rows == 1) {
        CHECK(with < 0.04);
        CHECK(without > 3 * with);
    }
}

TEST_CASE("a frame without samples takes its gain from the drift, or keeps 1", "[photometry]") {
    Grid grid;
    grid.drift_stops = 1.5;
    grid.gain_stops = 0.02;
    grid.colour_stops = 0;
    Truth truth = make(grid);
    constexpr size_t kLonely = 33;  // 0.52 stops off the middle
    std::erase_if(truth.samples,
                  [&](const PhotometricSample& s) { return s.a == kLonely || s.b == kLonely; });
    const PhotometricResult with = solve(truth);
    for (size_t c = 0; c < 3; ++c)
        // Three standard deviations of its own jitter, which nobody can know.
        CHECK(std::abs(std::log2(with.gains[kLonely][c] / truth.gains[kLonely][c])) < 0.06);
    truth.input.drift = false;
    const PhotometricResult without = solve(truth);
    for (size_t c = 0; c < 3; ++c) CHECK(without.gains[kLonely][c] == 1.0);
    CHECK(std::abs(std::log2(truth.gains[kLonely][0])) > 0.3);
}

TEST_CASE("without any sample nothing is corrected", "[photometry]") {
    PhotometricInput input;
    input.frames = 3;
    input.camera_of_frame = {0, 0, 1};
    input.cameras = 2;
    input.drift = GENERATE(true, false);
    const PhotometricResult result = solve_photometry(input);
    REQUIRE(result.gains.size() == 3);
    REQUIRE(result.vignetting.size() == 2);
    for (const Three& gain : result.gains) CHECK(gain == Three{1, 1, 1});
    for (const Three& v : result.vignetting) CHECK(v == Three{0, 0, 0});
    CHECK(result.spread_before_stops == 0);
    CHECK(result.spread_after_stops == 0);
    CHECK(solve_photometry({}).gains.empty());
}

TEST_CASE("the order of the samples does not matter", "[photometry]") {
    Truth truth = make({});
    const PhotometricResult first = solve(truth);
    Dice dice(7);
    for (size_t i = truth.samples.size(); i-- > 1;)
        std::swap(truth.samples[i],
                  truth.samples[static_cast<size_t>(dice.unit() * static_cast<double>(i + 1))]);
    const PhotometricResult second = solve(truth);
    CHECK(first.gains == second.gains);
    CHECK(first.vignetting == second.vignetting);
    truth.samples[5].value_a[0] *= 1.01F;
    CHECK(solve(truth).gains != first.gains);
}

TEST_CASE("each camera has its own curve", "[photometry]") {
    Grid grid;
    const Three other{-0.1, -0.05, 0};
    Truth truth = make(grid);
    // Even rows by the one camera, odd rows by the other: the recorded values are redone.
    truth.input.cameras = 2;
    for (size_t i = 0; i < truth.input.frames; ++i)
        truth.input.camera_of_frame[i] = i / grid.columns % 2;
    for (PhotometricSample& s : truth.samples) {
        for (size_t c = 0; c < 3; ++c) {
            if (truth.input.camera_of_frame[s.a] == 1)
                s.value_a[c] *= static_cast<float>(curve(other, s.radius_a) /
                                                   curve(grid.vignetting, s.radius_a));
            if (truth.input.camera_of_frame[s.b] == 1)
                s.value_b[c] *= static_cast<float>(curve(other, s.radius_b) /
                                                   curve(grid.vignetting, s.radius_b));
        }
    }
    const PhotometricResult result = solve(truth);
    CHECK(worst_gain(result, truth.gains) < 0.02);
    CHECK(corner_error(result, grid.vignetting, 0) < 0.02);
    CHECK(corner_error(result, other, 1) < 0.02);
    CHECK(corner_error(result, other, 0) > 0.1);
}

TEST_CASE("a curve stays within sense whatever the samples say", "[photometry]") {
    Grid grid;
    // Far darker in the corner than lenses are; and brighter there than in the middle.
    grid.vignetting = GENERATE(Three{-0.95, 0.0, 0}, Three{0.9, 0, 0}, Three{-2.5, 1.8, 0});
    grid.outliers = 0;
    const Truth truth = make(grid);
    const PhotometricResult result = solve(truth);
    for (double r = 0; r <= 1; r += 0.01) {
        CHECK(curve(result.vignetting[0], r) >= 0.1 - 1e-3);
        CHECK(curve(result.vignetting[0], r) <= 1.2 + 1e-3);
    }
    // Held at the bound, not far inside.
    if (grid.vignetting[0] == -0.95) CHECK(curve(result.vignetting[0], 1) < 0.15);
    for (const Three& gain : result.gains)
        for (const double g : gain) CHECK((g > 0.1 && g < 10));
}

TEST_CASE("what the overlaps do not determine is left without vignetting", "[photometry]") {
    // Two frames, samples at equal radii only: gains alone explain them.
    Truth truth;
    truth.input.frames = 2;
    truth.input.camera_of_frame = {0, 0};
    for (int k = 0; k < 20; ++k) {
        PhotometricSample s;
        s.a = 0;
        s.b = 1;
        s.value_a = {0.2F, 0.2F, 0.2F};
        s.value_b = {0.25F, 0.25F, 0.25F};
        s.radius_a = s.radius_b = 0.04F * static_cast<float>(k);
        truth.samples.push_back(s);
    }
    const PhotometricResult result = solve(truth);
    CHECK(std::abs(curve(result.vignetting[0], 1) - 1) < 1e-6);
    // 0.2 g0 = 0.25 g1, g0 g1 = 1; the prior takes less than 1 in 1000.
    CHECK(std::abs(result.gains[0][0] / std::sqrt(1.25) - 1) < 1e-3);
    CHECK(std::abs(result.spread_before_stops - std::log2(1.25)) < 1e-6);
    CHECK(result.spread_after_stops < 2e-3);
}

TEST_CASE("time for 400 frames", "[.figures]") {
    Grid grid;
    grid.rows = 20;
    grid.columns = 20;
    const Truth truth = make(grid);
    const auto start = std::chrono::steady_clock::now();
    const PhotometricResult result = solve(truth);
    const std::chrono::duration<double> seconds = std::chrono::steady_clock::now() - start;
    std::printf("400 frames, %zu samples: %.2f s, gains %.4f, corner %.4f\n", truth.samples.size(),
                seconds.count(), worst_gain(result, truth.gains),
                corner_error(result, grid.vignetting));
    CHECK(worst_gain(result, truth.gains) < 0.02);
}

}  // namespace broadloom
