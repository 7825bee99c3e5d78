#include "io/report_page.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <cstddef>

#include "broadloom/error.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

// The viewer page's own mark. Encoded below, as a page without any address in it is easier to
// check.
constexpr std::string_view kIcon =
    "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 16 16'><rect width='16' height='16' "
    "rx='3' fill='#232323'/><path d='M2 5h7m3 0h2M2 11h2m3 0h7M5 2v1m0 4v7M11 2v7m0 4v1' "
    "stroke='#dccfb4' stroke-width='1.6' fill='none'/></svg>";

constexpr std::string_view kSafety =
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'";

std::string_view verdict_name(Verdict verdict) {
    switch (verdict) {
        case Verdict::good:
            return "good";
        case Verdict::look:
            return "look";
        case Verdict::bad:
            break;
    }
    return "bad";
}

/// A tick, an exclamation mark or a cross: the state is told by shape, not by colour alone.
std::string_view verdict_icon(Verdict verdict) {
    switch (verdict) {
        case Verdict::good:
            return "<path d=\"m6.5 12.5 3.8 3.8 7.4-8.2\"/>";
        case Verdict::look:
            return "<path d=\"M12 6.4v7.2M12 17.2v.1\"/>";
        case Verdict::bad:
            break;
    }
    return "<path d=\"m8 8 8 8M16 8l-8 8\"/>";
}

/// Messages begin in small letters; a sentence that stands alone does not. A first word that may be
/// a name (anything but small letters) stays as it is.
std::string sentence(std::string_view text) {
    const std::string_view word = text.substr(0, text.find(' '));
    const bool plain =
        !word.empty() && word.size() < text.size() &&
        std::all_of(word.begin(), word.end(), [](char c) { return c >= 'a' && c <= 'z'; });
    std::string out(text);
    if (plain) out.front() = static_cast<char>(out.front() - 'a' + 'A');
    return out;
}

/// A sentence as markup; the program's options in it are not broken over two lines.
std::string sentence_html(std::string_view text) {
    const std::string safe = html_text(sentence(text));
    const auto in_option = [](char c) { return (c >= 'a' && c <= 'z') || c == '-'; };
    std::string html;
    for (size_t at = 0; at < safe.size();) {
        size_t end = at;
        if (safe.compare(at, 2, "--") == 0 && (at == 0 || safe[at - 1] == ' ')) {
            while (end < safe.size() && in_option(safe[end])) ++end;
        }
        if (end > at + 2) {
            html += "<span class=\"option\">" + safe.substr(at, end - at) + "</span>";
            at = end;
        } else {
            html += safe[at++];
        }
    }
    return html;
}

}  // namespace

std::string base64(std::string_view bytes) {
    constexpr std::string_view kLetters =
        "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    std::string out;
    out.reserve((bytes.size() + 2) / 3 * 4);
    for (size_t at = 0; at < bytes.size(); at += 3) {
        unsigned group = 0;
        for (size_t i = 0; i < 3; ++i) {
            group <<= 8;
            if (at + i < bytes.size()) group |= static_cast<unsigned char>(bytes[at + i]);
        }
        const size_t letters = std::min<size_t>(bytes.size() - at, 3) + 1;
        for (size_t i = 0; i < 4; ++i) {
            out += i < letters ? kLetters[(group >> (18 - 6 * i)) & 63] : '=';
        }
    }
    return out;
}

std::string decimal(double value, int digits) {
    if (!std::isfinite(value)) return "\xE2\x80\x93";
    // Longest: 309 digits before the point.
    std::array<char, 352> buffer{};
    const auto [end, code] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value,
                                           std::chars_format::fixed, digits);
    if (code != std::errc()) {
        throw Error(ErrorCode::internal, "report: a number is too long; please report this");
    }
    std::string text(buffer.data(), end);
    // No minus before a zero that rounding made.
    if (text.front() == '-' && text.find_first_not_of("-0.") == std::string::npos) text.erase(0, 1);
    if (text.front() == '-') text.replace(0, 1, "\xE2\x88\x92");
    return text;
}

std::string counted(size_t number, std::string_view one, std::string_view many) {
    return std::to_string(number) + ' ' + std::string(number == 1 ? one : many);
}

std::string report_start(std::string_view kind, std::string_view title, std::string_view lead) {
    const std::string safe_title = html_text(title.empty() ? "Untitled set" : title);
    const std::string safe_kind = html_text(kind);
    std::string html = "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n";
    html += "<meta http-equiv=\"Content-Security-Policy\" content=\"" + std::string(kSafety) +
            "\">\n<meta name=\"referrer\" content=\"no-referrer\">\n";
    html += "<title>" + safe_title + " \xE2\x80\x93 " + safe_kind + "</title>\n";
    html +=
        "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
        "<meta name=\"color-scheme\" content=\"dark\">\n";
    html += "<link rel=\"icon\" href=\"data:image/svg+xml;base64," + base64(kIcon) + "\">\n";
    html += "<style>\n" + std::string(report_style()) + "</style>\n</head>\n<body>\n<header>\n";
    html += "<p class=\"kind\">" + safe_kind + "</p>\n<h1 dir=\"auto\">" + safe_title + "</h1>\n";
    if (!lead.empty()) html += "<p class=\"lead\">" + html_text(lead) + "</p>\n";
    return html + "</header>\n<main>\n";
}

std::string report_end() { return "</main>\n</body>\n</html>\n"; }

std::string report_verdict(Verdict verdict, std::string_view text, std::string_view why,
                           const std::vector<std::string>& reasons_html) {
    constexpr size_t kMost = 10;
    std::string html =
        "<div class=\"verdict " + std::string(verdict_name(verdict)) +
        "\" id=\"verdict\">\n<svg viewBox=\"0 0 24 24\" aria-hidden=\"true\"><circle "
        "cx=\"12\" cy=\"12\" r=\"11\"/>" +
        std::string(verdict_icon(verdict)) + "</svg>\n<div>\n<p><strong>" + html_text(text) +
        "</strong></p>\n";
    if (!why.empty()) html += "<p>" + sentence_html(why) + "</p>\n";
    if (!reasons_html.empty()) {
        html += "<ul>\n";
        for (size_t i = 0; i < reasons_html.size() && i < kMost; ++i) {
            html += "<li>" + reasons_html[i] + "</li>\n";
        }
        if (reasons_html.size() > kMost) {
            html += "<li>and " + std::to_string(reasons_html.size() - kMost) + " more below</li>\n";
        }
        html += "</ul>\n";
    }
    return html + "</div>\n</div>\n";
}

std::string report_figures(const std::vector<std::pair<std::string, std::string>>& figures) {
    std::string html = "<dl class=\"figures\">\n";
    for (const auto& [name, value] : figures) {
        html += "<div><dt>" + html_text(name) + "</dt><dd>" + html_text(value) + "</dd></div>\n";
    }
    return html + "</dl>\n";
}

std::string section_start(std::string_view id, std::string_view heading) {
    return "<section id=\"" + html_text(id) + "\">\n<h2>" + html_text(heading) + "</h2>\n";
}

std::string section_end() { return "</section>\n"; }

std::string folded(std::string_view summary, std::string_view html) {
    return "<details>\n<summary>" + html_text(summary) + "</summary>\n" + std::string(html) +
           "</details>\n";
}

std::string report_notes(const std::vector<std::string>& notes) {
    std::string html = "<ul class=\"notes\">\n";
    for (const std::string& note : notes) html += "<li>" + sentence_html(note) + "</li>\n";
    return html + "</ul>\n";
}

std::string embedded_picture(std::string_view jpeg, int64_t width, int64_t height,
                             std::string_view alt) {
    const std::string size =
        "width=\"" + std::to_string(width) + "\" height=\"" + std::to_string(height) + "\"";
    if (jpeg.empty()) {
        return "<svg class=\"nothing\" role=\"img\" " + size + " aria-label=\"" + html_text(alt) +
               " (no picture)\"></svg>";
    }
    return "<img " + size + " alt=\"" + html_text(alt) + "\" src=\"data:image/jpeg;base64," +
           base64(jpeg) + "\">";
}

ReportTable::ReportTable(std::string_view caption, std::vector<Column> columns)
    : caption_(caption), columns_(std::move(columns)) {}

// The roles repeat what the elements mean: where a narrow window shows the rows as a list, browsers
// would otherwise no longer call them a table.
void ReportTable::add(std::string_view id, const std::vector<std::string>& cells_html) {
    body_ += id.empty() ? "<tr role=\"row\">" : "<tr role=\"row\" id=\"" + html_text(id) + "\">";
    for (size_t i = 0; i < columns_.size() && i < cells_html.size(); ++i) {
        const std::string label = " data-name=\"" + html_text(columns_[i].name) + "\"" +
                                  (columns_[i].number ? " class=\"number\"" : "");
        body_ += i == 0 ? "<th scope=\"row\" role=\"rowheader\"" + label + ">"
                        : "<td role=\"cell\"" + label + ">";
        body_ += "<div>" + cells_html[i] + (i == 0 ? "</div></th>" : "</div></td>");
    }
    body_ += "</tr>\n";
    ++rows_;
}

std::string ReportTable::html() const {
    std::string html = "<table class=\"rows\" role=\"table\">\n<caption class=\"unseen\">" +
                       html_text(caption_) +
                       "</caption>\n<thead role=\"rowgroup\"><tr role=\"row\">";
    for (const Column& column : columns_) {
        html += std::string("<th scope=\"col\" role=\"columnheader\"") +
                (column.number ? " class=\"number\">" : ">") + html_text(column.name) + "</th>";
    }
    return html + "</tr></thead>\n<tbody role=\"rowgroup\">\n" + body_ + "</tbody>\n</table>\n";
}

}  // namespace broadloom
