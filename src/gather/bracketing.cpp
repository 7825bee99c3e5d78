#include <algorithm>
#include <cmath>
#include <cstdio>
#include <optional>
#include <string>
#include <vector>

#include "gather/sequence.hpp"

namespace broadloom {
namespace {

/// Light on the sensor in stops, from the settings; nullopt where the exposure time is not known.
std::optional<double> stops_of(const Photo& p) {
    if (!p.tags.exposure_s) return std::nullopt;
    double stops = std::log2(*p.tags.exposure_s);
    if (p.tags.f_number) stops -= 2 * std::log2(*p.tags.f_number);
    if (p.tags.iso) stops += std::log2(*p.tags.iso / 100);
    return stops;
}

constexpr double kSameStops = 0.15;  // rounding of the tags

/// Whether values repeat with this period over the whole set and differ within it throughout.
bool repeats(const std::vector<double>& stops, size_t period) {
    constexpr double kLeastStep = 0.3;  // a third of a stop is the finest bracket (common practice)
    if (stops.size() < 2 * period) return false;
    for (size_t i = 0; i < period; ++i) {
        for (size_t j = i + 1; j < period; ++j) {
            if (std::abs(stops[i] - stops[j]) < kLeastStep) return false;
        }
    }
    for (size_t i = period; i < stops.size(); ++i) {
        if (std::abs(stops[i] - stops[i % period]) > kSameStops) return false;
    }
    return true;
}

std::string pattern_text(const std::vector<double>& stops, size_t period) {
    static const char* const kCounts[] = {"two", "three", "four",  "five",
                                          "six", "seven", "eight", "nine"};
    std::string text = std::string(kCounts[period - 2]) + " exposures (";
    for (size_t i = 0; i < period; ++i) {
        char ev[24];
        const double off = stops[i] - stops[0];
        std::snprintf(ev, sizeof ev, "%s%.2g", i == 0 || off < 0 ? "" : "+", off);
        text += (i == 0 ? "" : ", ") + std::string(i == 0 ? "0" : ev);
    }
    return text + " EV) of each aim";
}

}  // namespace

std::string bracketing_problem(const std::vector<Photo>& photos) {
    static const char* const kAdvice =
        "; exposures are not merged yet: put one exposure of each aim into a folder of its own and "
        "gather that";
    std::vector<double> stops;
    size_t flagged = 0;
    std::vector<double> biases;
    for (const Photo& p : photos) {
        if (const auto s = stops_of(p)) stops.push_back(*s);
        if (p.tags.exposure_bias_ev) biases.push_back(*p.tags.exposure_bias_ev);
        if (p.tags.auto_bracket.value_or(false)) ++flagged;
    }
    constexpr size_t kMostExposures = 9;
    for (size_t period = 2; period <= kMostExposures; ++period) {
        if (stops.size() == photos.size() && repeats(stops, period)) {
            return "this is a bracketed set: " + pattern_text(stops, period) + kAdvice;
        }
        if (biases.size() == photos.size() && repeats(biases, period)) {
            return "this is a bracketed set: " + pattern_text(biases, period) + kAdvice;
        }
    }
    // The camera says so, and exposures do differ.
    if (flagged * 2 > photos.size() && !stops.empty()) {
        const auto [least, most] = std::minmax_element(stops.begin(), stops.end());
        if (*most - *least > kSameStops) {
            return "this is a bracketed set: the camera marked " + std::to_string(flagged) +
                   " of " + std::to_string(photos.size()) + " frames as bracketed" + kAdvice;
        }
    }
    return {};
}

}  // namespace broadloom
