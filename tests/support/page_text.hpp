/// What tests ask of a page's text.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace broadloom::testing {

inline size_t count(std::string_view text, std::string_view part) {
    size_t found = 0;
    for (size_t at = text.find(part); at != std::string_view::npos; at = text.find(part, at + 1)) {
        ++found;
    }
    return found;
}

inline bool holds(std::string_view text, std::string_view part) { return count(text, part) > 0; }

/// From the first `from` to the next `to`; empty when either is missing.
inline std::string between(const std::string& text, std::string_view from, std::string_view to) {
    const size_t start = text.find(from);
    if (start == std::string::npos) return {};
    const size_t end = text.find(to, start + from.size());
    if (end == std::string::npos) return {};
    return text.substr(start + from.size(), end - start - from.size());
}

/// The value that stands beside a name among the figures.
inline std::string figure(const std::string& page, const std::string& name) {
    return between(page, "<dt>" + name + "</dt><dd>", "</dd>");
}

/// What makes a page ask for something outside itself, or run something; empty: nothing.
inline std::string reaches_outside(const std::string& page) {
    for (const char* part :
         {"http:", "https:", "=\"//", "url(//", "@import", "<script", "<iframe", "<object",
          "<embed", "<link rel=\"stylesheet", " onerror=\"", " onload=\"", "javascript:"}) {
        if (holds(page, part)) return part;
    }
    if (count(page, " src=\"") != count(page, " src=\"data:image/jpeg;base64,")) return "src";
    if (count(page, " href=\"") !=
        count(page, " href=\"#") + count(page, " href=\"data:image/svg+xml;base64,")) {
        return "href";
    }
    return {};
}

}  // namespace broadloom::testing
