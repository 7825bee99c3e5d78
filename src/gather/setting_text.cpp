#include "gather/setting_text.hpp"

#include <array>
#include <charconv>
#include <cmath>

namespace broadloom {

std::string short_number(double value, int digits) {
    std::array<char, 400> buffer{};  // the largest double has 309 digits
    const auto end = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                   std::chars_format::fixed, digits)
                         .ptr;
    std::string text(buffer.data(), end);
    if (text.find('.') != std::string::npos) {
        while (text.back() == '0') text.pop_back();
        if (text.back() == '.') text.pop_back();
    }
    return text == "-0" ? "0" : text;
}

std::string exposure_text(double seconds) {
    // From a third of a second on cameras show decimals; 1/3 itself they show as a fraction.
    if (seconds > 0 && seconds < 0.34) return "1/" + short_number(1 / seconds, 0) + " s";
    return short_number(seconds, seconds < 10 ? 1 : 0) + " s";
}

std::string aperture_text(double f_number) { return "f/" + short_number(f_number, 1); }

std::string iso_text(double iso) { return "ISO " + short_number(iso, 0); }

std::string focal_text(double mm) { return short_number(mm, 1) + " mm"; }

std::string distance_text(double metres) {
    return short_number(metres, metres < 10 ? 2 : metres < 100 ? 1 : 0) + " m";
}

std::string stops_text(double stops) {
    const auto thirds = static_cast<long long>(std::llround(3 * std::abs(stops)));
    if (thirds == 0) return "less than 1/3 stop";
    const std::string whole = thirds >= 3 ? std::to_string(thirds / 3) : std::string();
    const std::string part = thirds % 3 == 0 ? std::string() : std::to_string(thirds % 3) + "/3";
    return whole + (whole.empty() || part.empty() ? "" : " ") + part +
           (thirds > 3 ? " stops" : " stop");
}

std::string ev_text(double ev) {
    const std::string text = short_number(ev, 1);
    return text == "0" || text.front() == '-' ? text : "+" + text;
}

}  // namespace broadloom
