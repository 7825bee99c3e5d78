#include "gather/contact_sheet.hpp"

#include <algorithm>
#include <map>
#include <string_view>

#include "gather/contact_plan.hpp"
#include "io/report_page.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

std::string name_html(std::string_view name) {
    return "<bdi>" + html_text(name.empty() ? "(no name)" : name) + "</bdi>";
}

std::string cell_text(const GridCell& cell) {
    return "row " + std::to_string(cell.first) + ", column " + std::to_string(cell.second);
}

std::string hole_id(const GridCell& cell) {
    return "hole-" + std::to_string(cell.first) + "-" + std::to_string(cell.second);
}

std::string link(const std::string& id, const std::string& html) {
    return "<a href=\"#" + id + "\">" + html + "</a>";
}

/// At most `most` of the texts, each once, then how many others there are.
std::string first_of(const std::vector<std::string>& texts, size_t most, std::string_view others) {
    std::vector<std::string> distinct;
    for (const std::string& text : texts) {
        if (std::find(distinct.begin(), distinct.end(), text) == distinct.end()) {
            distinct.push_back(text);
        }
    }
    std::string out;
    for (size_t i = 0; i < distinct.size() && i < most; ++i) {
        if (i > 0) out += ", ";
        out += distinct[i];
    }
    if (distinct.size() > most) {
        out += " and " + std::to_string(distinct.size() - most) + " " + std::string(others);
    }
    return out;
}

class SheetWriter {
  public:
    explicit SheetWriter(const ContactSheet& sheet)
        : sheet_(sheet), plan_(plan_contact_sheet(sheet)) {}

    [[nodiscard]] std::string page() const {
        std::string html = report_start("Contact sheet", sheet_.title, sheet_.summary);
        html += verdict() + figures();
        if (sheet_.rows > 0) html += grid();
        if (!plan_.loose.empty()) {
            html += section_start("frames", "Frames in the order of capture");
            html += flow(plan_.loose) + section_end();
        }
        if (!plan_.homeless.empty()) {
            html += section_start(
                "without-cell",
                "Without a cell: " + counted(plan_.homeless.size(), "frame", "frames"));
            html += "<p>These frames fit nowhere in the grid.</p>\n";
            html += flow(plan_.homeless) + section_end();
        }
        if (!plan_.left_out.empty()) html += left_out();
        if (!plan_.kinds.empty()) html += findings();
        html += layout();
        if (!sheet_.notes.empty()) {
            html += section_start("notes", "Notes") + report_notes(sheet_.notes) + section_end();
        }
        return html + report_end();
    }

  private:
    [[nodiscard]] std::string verdict() const {
        std::vector<std::string> reasons;
        if (!plan_.holes.empty()) {
            std::vector<std::string> cells;
            for (const GridCell& cell : plan_.holes) {
                cells.push_back(inside_grid(sheet_, cell) ? link(hole_id(cell), cell_text(cell))
                                                          : cell_text(cell));
            }
            reasons.push_back(counted(plan_.holes.size(), "cell", "cells") +
                              " without a frame: " + first_of(cells, 4, "more"));
        }
        if (!plan_.homeless.empty()) {
            reasons.push_back(
                link("without-cell", counted(plan_.homeless.size(), "frame", "frames")) +
                " without a cell");
        }
        for (size_t k = 0; k < plan_.kinds.size(); ++k) reasons.push_back(kind_in_short(k));
        if (!sheet_.problem.empty()) {
            return report_verdict(Verdict::bad, "Cannot be laid out" + what_is_missing(),
                                  sheet_.problem, reasons);
        }
        if (reasons.empty()) {
            return report_verdict(Verdict::good, "Good: nothing stands out", {}, {});
        }
        return report_verdict(Verdict::look,
                              "Look at " + counted(reasons.size(), "thing", "things"), {}, reasons);
    }

    /// Told in the headline, so that nobody has to search the reason for it.
    [[nodiscard]] std::string what_is_missing() const {
        std::string text;
        if (!plan_.holes.empty()) {
            text += ": " + counted(plan_.holes.size(), "cell", "cells") + " without a frame";
        }
        if (!plan_.homeless.empty()) {
            text += (text.empty() ? ": " : ", ") +
                    counted(plan_.homeless.size(), "frame", "frames") + " without a cell";
        }
        return text;
    }

    [[nodiscard]] std::string kind_in_short(size_t k) const {
        const FindingKind& kind = plan_.kinds[k];
        size_t frames = 0;
        for (const size_t i : kind.findings) frames += sheet_.findings[i].frame.empty() ? 0 : 1;
        return link("finding-" + std::to_string(k + 1), html_text(kind.what)) + ": " +
               (frames == 0 ? "the whole set" : counted(frames, "frame", "frames")) +
               " \xE2\x80\x93 " + values_of(kind, &Finding::value);
    }

    [[nodiscard]] std::string values_of(const FindingKind& kind,
                                        std::string Finding::*member) const {
        std::vector<std::string> values;
        for (const size_t i : kind.findings) {
            values.push_back(html_text(sheet_.findings[i].*member));
        }
        return first_of(values, 3, "other values");
    }

    [[nodiscard]] std::string figures() const {
        std::vector<std::pair<std::string, std::string>> list;
        const auto number = [&list](const char* name, size_t value) {
            list.emplace_back(name, std::to_string(value));
        };
        number("Frames", sheet_.frames.size());
        if (sheet_.rows > 0) {
            list.emplace_back("Rows \xC3\x97 columns", std::to_string(sheet_.rows) + " \xC3\x97 " +
                                                           (spread() ? "up to " : "") +
                                                           std::to_string(sheet_.columns));
            size_t placed = 0;
            for (const auto& [cell, frames] : plan_.cells) placed += frames.size();
            number("In the grid", placed);
            number("Holes", plan_.holes.size());
            number("Without a cell", plan_.homeless.size());
        }
        number("Left out", plan_.left_out.size());
        number("Findings", sheet_.findings.size());
        if (plan_.by_order > 0) number("By the order alone", plan_.by_order);
        return report_figures(list);
    }

    /// What the layout rests on; of interest once something looks wrong.
    [[nodiscard]] std::string layout() const {
        std::vector<std::pair<std::string, std::string>> list;
        if (!sheet_.order.empty()) list.emplace_back("Order", sheet_.order);
        if (!sheet_.field_of_view.empty()) {
            list.emplace_back("Field of view from", sheet_.field_of_view);
        }
        if (list.empty()) return {};
        return section_start("layout", "How it was laid out") + report_figures(list) +
               section_end();
    }

    // ---- frames ----

    [[nodiscard]] std::vector<size_t> kinds_of(const ContactFrame& f) const {
        std::vector<size_t> kinds;
        for (const size_t i : f.findings) {
            if (i >= plan_.kind_of_finding.size()) continue;
            const size_t kind = plan_.kind_of_finding[i];
            if (plan_.kinds[kind].marked) kinds.push_back(kind);
        }
        std::sort(kinds.begin(), kinds.end());
        kinds.erase(std::unique(kinds.begin(), kinds.end()), kinds.end());
        return kinds;
    }

    [[nodiscard]] std::string marks(const ContactFrame& f) const {
        constexpr size_t kMost = 3;
        const std::vector<size_t> kinds = kinds_of(f);
        std::string html;
        for (size_t i = 0; i < kinds.size() && i < kMost; ++i) {
            const std::string number = std::to_string(kinds[i] + 1);
            html += "<a class=\"mark\" href=\"#finding-" + number + "\" title=\"";
            html += html_text(plan_.kinds[kinds[i]].what);
            html += "\"><span class=\"unseen\">Finding </span>" + number + "</a>";
        }
        if (kinds.size() > kMost) {
            html += "<span class=\"mark\">+" + std::to_string(kinds.size() - kMost) + "</span>";
        }
        if (f.by_sequence) {
            html +=
                "<span class=\"mark order\" title=\"Placed by the order alone\"><span "
                "class=\"unseen\">Placed by the order alone</span></span>";
        }
        return html.empty() ? html : "<span class=\"marks\">" + html + "</span>";
    }

    /// One frame; `more` is markup that stands below its name.
    [[nodiscard]] std::string figure(size_t i, const std::string& more = {}) const {
        const ContactFrame& f = sheet_.frames[i];
        std::string kind = "frame";
        if (f.left_out) kind += " out";
        if (!kinds_of(f).empty()) kind += " found";
        std::string alt = f.name;
        if (f.row && f.column) alt += ", " + cell_text({*f.row, *f.column});
        const std::string tip = f.time_text.empty() ? f.name : f.name + ", " + f.time_text;
        std::string html = "<figure class=\"" + kind + "\" id=\"f" + std::to_string(i) +
                           "\" title=\"" + html_text(tip) + "\"><div class=\"picture\">" +
                           embedded_picture(f.jpeg, f.width, f.height, alt) + marks(f) +
                           "</div><figcaption><span class=\"name\">" + name_html(f.name) +
                           "</span>";
        if (!f.time_text.empty()) {
            html += "<span class=\"time\">" + html_text(f.time_text) + "</span>";
        }
        return html + more + "</figcaption></figure>";
    }

    [[nodiscard]] std::string flow(const std::vector<size_t>& frames) const {
        std::string html = "<div class=\"flow\">\n";
        for (const size_t i : frames) html += figure(i) + "\n";
        return html + "</div>\n";
    }

    [[nodiscard]] std::string left_out() const {
        std::string html = section_start(
            "left-out", "Left out: " + counted(plan_.left_out.size(), "frame", "frames"));
        // With a problem there is no scene file yet.
        html += sheet_.problem.empty() ? "<p>They stay in the scene file, and no file is touched. "
                                       : "<p>The scene file will hold them as left out. ";
        html +=
            "To bring one back, set its <code>use</code> to <code>yes</code> in the scene "
            "file.</p>\n"
            "<div class=\"asides\">\n";
        for (const size_t i : plan_.left_out) {
            const ContactFrame& f = sheet_.frames[i];
            std::string more;
            if (f.row && f.column) {
                more += "<span class=\"cell\">" + cell_text({*f.row, *f.column}) + "</span>";
            }
            more += "<span class=\"reason\">" +
                    html_text(f.reason.empty() ? "no reason given" : f.reason) + "</span>";
            html += figure(i, more) + "\n";
        }
        return html + "</div>\n" + section_end();
    }

    // ---- the grid ----

    /// Rows of different lengths take the same width, unless frames may be missing.
    [[nodiscard]] bool spread() const {
        return sheet_.problem.empty() &&
               std::any_of(plan_.columns_of_row.begin(), plan_.columns_of_row.end(),
                           [this](int64_t columns) { return columns != sheet_.columns; });
    }

    /// The usual shape of a thumbnail, for the holes, and the width of a column.
    [[nodiscard]] std::pair<int64_t, int64_t> usual_size() const {
        std::map<std::pair<int64_t, int64_t>, size_t> sizes;
        for (const ContactFrame& f : sheet_.frames) {
            if (f.width > 0 && f.height > 0) ++sizes[{f.width, f.height}];
        }
        std::pair<int64_t, int64_t> usual{150, 100};
        size_t most = 0;
        for (const auto& [size, times] : sizes) {
            if (times > most) {
                most = times;
                usual = size;
            }
        }
        return usual;
    }

    [[nodiscard]] std::string cell(const GridCell& at, const std::string& span) const {
        const auto frames = plan_.cells.find(at);
        const bool hole = std::binary_search(plan_.holes.begin(), plan_.holes.end(), at);
        if (frames == plan_.cells.end() && !hole) return "<td" + span + "></td>";
        std::string html = "<td" + span + " data-cell=\"" + std::to_string(at.first) + "," +
                           std::to_string(at.second) + "\">";
        if (frames == plan_.cells.end()) {
            html += "<div class=\"hole\" id=\"" + hole_id(at) +
                    "\"><span>no frame</span><span class=\"unseen\">, " + cell_text(at) +
                    "</span></div>";
        } else {
            for (const size_t i : frames->second) html += figure(i);
        }
        return html + "</td>";
    }

    [[nodiscard]] std::string row(int64_t r, int64_t units) const {
        std::string html = "<tr><th scope=\"row\"><span class=\"unseen\">Row </span>" +
                           std::to_string(r) + "</th>";
        const int64_t columns =
            spread() ? plan_.columns_of_row[static_cast<size_t>(r)] : sheet_.columns;
        for (int64_t c = 0; c < columns; ++c) {
            // Shares of the width, to the nearest unit.
            const int64_t from = (2 * c * units + columns) / (2 * columns);
            const int64_t to = (2 * (c + 1) * units + columns) / (2 * columns);
            html += cell({r, c}, to - from == 1 ? std::string()
                                                : " colspan=\"" + std::to_string(to - from) + "\"");
        }
        return html + "</tr>\n";
    }

    [[nodiscard]] std::string grid() const {
        const int64_t units = spread() ? 4 * sheet_.columns : sheet_.columns;
        const auto [width, height] = usual_size();
        std::string html = section_start("grid", "The grid");
        html +=
            "<p>As the picture will look: row 0 on top, column 0 on the left, counted as in the "
            "scene file.</p>\n"
            "<div class=\"sizes\">\n<input type=\"radio\" name=\"size\" id=\"fit\" checked><label "
            "for=\"fit\">Small</label>\n<input type=\"radio\" name=\"size\" "
            "id=\"large\"><label for=\"large\">Large</label>\n" +
            legend();
        html +=
            "<div class=\"scroll cells\" tabindex=\"0\" role=\"region\" aria-label=\"The grid\" "
            "style=\"--columns:" +
            std::to_string(sheet_.columns) + ";--width:" + std::to_string(width) +
            "px;--shape:" + std::to_string(width) + "/" + std::to_string(height) +
            "\">\n<table class=\"grid\">\n<colgroup><col class=\"head\"><col span=\"" +
            std::to_string(units) + "\"></colgroup>\n";
        if (!spread()) {
            html += "<thead><tr><td></td>";
            for (int64_t c = 0; c < sheet_.columns; ++c) {
                html += "<th scope=\"col\"><span class=\"unseen\">Column </span>" +
                        std::to_string(c) + "</th>";
            }
            html += "</tr></thead>\n";
        }
        html += "<tbody>\n";
        for (int64_t r = 0; r < sheet_.rows; ++r) html += row(r, units);
        return html + "</tbody>\n</table>\n</div>\n</div>\n" + section_end();
    }

    [[nodiscard]] std::string legend() const {
        std::string html;
        const bool marked = std::any_of(
            sheet_.frames.begin(), sheet_.frames.end(),
            [this](const ContactFrame& f) { return !f.left_out && !kinds_of(f).empty(); });
        if (marked) {
            html += "<li><span class=\"mark\" aria-hidden=\"true\">1</span> number of a " +
                    link("findings", "finding") + "</li>";
        }
        std::string common;
        for (size_t k = 0; k < plan_.kinds.size(); ++k) {
            const std::string number = std::to_string(k + 1);
            if (!plan_.kinds[k].marked) {
                common += (common.empty() ? "" : ", ") + link("finding-" + number, number);
            }
        }
        if (!common.empty())
            html += "<li>not marked, as it concerns most frames: " + common + "</li>";
        if (plan_.by_order > 0) {
            html +=
                "<li><span class=\"mark order\" aria-hidden=\"true\"></span> placed by the order "
                "alone</li>";
        }
        if (!plan_.holes.empty()) html += "<li><span class=\"dash\"></span> no frame</li>";
        return html.empty() ? html : "<ul class=\"legend\">" + html + "</ul>\n";
    }

    // ---- findings ----

    [[nodiscard]] std::string frames_of(const FindingKind& kind) const {
        constexpr size_t kMost = 6;
        const bool same = std::all_of(kind.findings.begin(), kind.findings.end(), [&](size_t i) {
            return sheet_.findings[i].value == sheet_.findings[kind.findings.front()].value;
        });
        std::string shown;
        std::string rest;
        size_t number = 0;
        for (const size_t i : kind.findings) {
            const Finding& f = sheet_.findings[i];
            const size_t frame = plan_.frame_of_finding[i];
            std::string html = f.frame.empty() ? "the whole set" : name_html(f.frame);
            if (frame < sheet_.frames.size()) html = link("f" + std::to_string(frame), html);
            if (!same) html += ": " + html_text(f.value);
            (number < kMost ? shown : rest) += "<li>" + html + "</li>";
            ++number;
        }
        std::string html = "<ul class=\"names\">" + shown + "</ul>";
        if (number > kMost) {
            html += folded(std::to_string(number - kMost) + " more",
                           "<ul class=\"names\">" + rest + "</ul>");
        }
        return html;
    }

    [[nodiscard]] std::string findings() const {
        const std::vector<ReportTable::Column> columns{
            {"What"}, {"Frames"}, {"Value"}, {"Usual"}, {"What it does to the picture"}};
        ReportTable table("Findings", columns);
        ReportTable rest("More findings", columns);
        for (size_t k = 0; k < plan_.kinds.size(); ++k) {
            const FindingKind& kind = plan_.kinds[k];
            const std::string number = std::to_string(k + 1);
            (kind.folded ? rest : table)
                .add("finding-" + number,
                     {"<span class=\"mark\">" + number + "</span> " + html_text(kind.what),
                      frames_of(kind), values_of(kind, &Finding::value),
                      values_of(kind, &Finding::usual), html_text(kind.effect)});
        }
        std::string html =
            section_start("findings", counted(sheet_.findings.size(), "finding", "findings"));
        html += table.html();
        if (rest.rows() > 0) {
            html += folded(counted(rest.rows(), "more of the same sort", "more of the same sorts"),
                           rest.html());
        }
        return html + section_end();
    }

    const ContactSheet& sheet_;
    ContactPlan plan_;
};

}  // namespace

std::string make_contact_sheet(const ContactSheet& sheet) { return SheetWriter(sheet).page(); }

}  // namespace broadloom
