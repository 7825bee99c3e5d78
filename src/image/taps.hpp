/// The resampling kernel: a sinc under a Kaiser window (beta = 4) over six samples, chosen by
/// measurement (tests/bench/resample_bench.cpp). Where the canvas is coarser than the frame it is
/// stretched, so that detail which the canvas cannot hold does not come back as a false pattern.
///
/// Weights are polynomials of the position t, 0..1, between the two middle samples. With s = t -
/// 1/2 and z = s^2, sample p from the left weighs even + odd and sample p from the right even -
/// odd, where
///   even = (even[p][2] z + even[p][1]) z + even[p][0],
///   odd = ((odd[p][2] z + odd[p][1]) z + odd[p][0]) s.
/// They lie within 2e-4 of the kernel, meet it at the samples and sum to one.
#pragma once

namespace broadloom {

inline constexpr int kUsualTaps = 6;
inline constexpr int kMostTaps = 8;

struct Taps {
    int count = kUsualTaps;  ///< or kMostTaps
    float even[kMostTaps / 2][3] = {};
    float odd[kMostTaps / 2][3] = {};
};

/// Weights for `ratio` samples of a frame to a canvas pixel: the usual kernel up to kStretchFrom,
/// then stretched by the ratio, at most by 2 (a coarser canvas takes frames decoded at half size).
/// Six samples serve up to a ratio of 1.5, which makes the kernel shorter in canvas pixels and
/// softer as the ratio grows; measured, that is no worse than longer ones and rings less.
Taps make_taps(double ratio);
inline constexpr double kStretchFrom = 1.05;
inline constexpr double kMostStretch = 2;

/// make_taps(1).
const Taps& usual_taps();

/// The kernel's value `distance` samples away (any sign) when stretched by `stretch`; not
/// normalised.
double kernel_value(double distance, double stretch);

}  // namespace broadloom
