#include "align/align_page.hpp"

#include <algorithm>
#include <cmath>
#include <string_view>

#include "align/align_map.hpp"
#include "broadloom/error.hpp"
#include "io/report_page.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

constexpr std::string_view kArrow = " \xE2\x86\x92 ";

std::string name_html(std::string_view name) {
    return "<bdi>" + html_text(name.empty() ? "(no name)" : name) + "</bdi>";
}

/// The folder that all the frames share, with its slash; empty when they share none.
std::string common_folder(const std::vector<FrameReport>& frames) {
    if (frames.empty()) return {};
    std::string_view folder = frames.front().file;
    for (const FrameReport& f : frames) {
        const auto differ =
            std::mismatch(folder.begin(), folder.end(), f.file.begin(), f.file.end());
        folder = folder.substr(0, static_cast<size_t>(differ.first - folder.begin()));
    }
    return std::string(folder.substr(0, folder.rfind('/') + 1));
}

std::string pixels(double value) { return decimal(value, 2) + " px"; }

class PageWriter {
  public:
    PageWriter(const AlignPage& page, const AlignReport& report)
        : page_(page),
          report_(report),
          frames_(reports_by_scene_index(page)),
          folder_(common_folder(report.frame_reports)) {
        for (size_t i = 0; i < report.frame_reports.size(); ++i) {
            const FrameReport& f = report.frame_reports[i];
            const bool placed =
                f.placed_by == "matches" || f.placed_by == "head" || f.placed_by == "hand";
            if (!placed) {
                unplaced_.push_back(i);
            } else if (f.placed_by == "head") {
                by_head_.push_back(i);
            } else if (f.low_confidence) {
                low_.push_back(i);
            }
            if (!placed || f.low_confidence) doubtful_ = true;
        }
        for (size_t i = 0; i < report.pairs.size(); ++i) {
            if (report.pairs[i].weak) weak_.push_back(i);
        }
    }

    [[nodiscard]] std::string html() const {
        std::string html = report_start("Alignment", page_.title, {});
        html += verdict() + figures();
        // What keeps the set from holding together comes first; else it explains the frames below.
        const std::string parts = report_.groups.size() > 1 ? groups() : std::string();
        if (!page_.problem.empty()) html += parts;
        html += map() + frames_to_look_at();
        if (page_.problem.empty()) html += parts;
        html += pairs_to_look_at();
        if (!report_.cameras.empty()) html += cameras();
        html += everything();
        if (!report_.notes.empty()) {
            html += section_start("notes", "Notes") + report_notes(report_.notes) + section_end();
        }
        return html + report_end();
    }

  private:
    [[nodiscard]] std::string verdict() const {
        std::vector<std::string> reasons;
        const auto add = [&reasons](size_t number, std::string_view one, std::string_view many,
                                    const std::string& anchor) {
            if (number == 0) return;
            reasons.push_back("<a href=\"#" + anchor + "\">" + counted(number, one, many) + "</a>");
        };
        add(unplaced_.size(), "frame without a place", "frames without a place", "frames");
        add(low_.size(), "frame held by little", "frames held by little", "frames");
        add(by_head_.size(), "frame placed by the head alone", "frames placed by the head alone",
            "frames");
        add(weak_.size(), "weak pair", "weak pairs", "pairs");
        if (!page_.problem.empty()) {
            return report_verdict(Verdict::bad, "Does not hold together", page_.problem, reasons);
        }
        std::string text = "Holds together, " + pixels(error(report_.rms_px)) + " RMS";
        if (!doubtful_ && weak_.empty()) return report_verdict(Verdict::good, text, {}, reasons);
        text += "; look at " + counted(reasons.size(), "thing", "things");
        return report_verdict(Verdict::look, text, {}, reasons);
    }

    /// Without pairs there is no error to tell.
    [[nodiscard]] double error(double value) const {
        return report_.pairs.empty() ? std::nan("") : value;
    }

    [[nodiscard]] std::string figures() const {
        std::vector<std::pair<std::string, std::string>> list;
        list.emplace_back("RMS error", pixels(error(report_.rms_px)));
        list.emplace_back("Largest error", pixels(error(report_.max_px)));
        list.emplace_back("Frames", std::to_string(report_.frames));
        list.emplace_back("By matches", std::to_string(report_.placed_by_matches));
        list.emplace_back("By the head", std::to_string(report_.placed_by_head));
        list.emplace_back(
            "Low confidence",
            std::to_string(std::count_if(report_.frame_reports.begin(), report_.frame_reports.end(),
                                         [](const FrameReport& f) { return f.low_confidence; })));
        list.emplace_back("Pairs", std::to_string(report_.pairs.size()));
        list.emplace_back("Weak pairs", std::to_string(weak_.size()));
        for (const CameraReport& c : report_.cameras) {
            list.emplace_back(report_.cameras.size() == 1 ? "Field of view, expected and found"
                                                          : "Field of view, " + c.name,
                              decimal(c.expected_fov_deg, 2) + "\xC2\xB0" + std::string(kArrow) +
                                  decimal(c.found_fov_deg, 2) + "\xC2\xB0");
        }
        list.emplace_back("Exposure spread, before and after",
                          decimal(report_.spread_before_stops, 2) + std::string(kArrow) +
                              decimal(report_.spread_after_stops, 2) + " stops");
        if (!folder_.empty()) list.emplace_back("Folder of the frames", folder_);
        return report_figures(list) +
               "<p class=\"about\">Errors are in pixels of the full-size frames.</p>\n";
    }

    [[nodiscard]] std::string groups() const {
        std::string html = section_start(
            "groups", counted(report_.groups.size(), "group", "groups") + " by matches");
        html +=
            "<p>Within a group matches hold the frames together; between groups none were found. "
            "More overlap, or texture where the groups meet, would join them.</p>\n";
        std::vector<std::string> single;
        size_t number = 0;
        for (const std::vector<std::string>& group : report_.groups) {
            if (group.size() == 1) {
                single.push_back(group.front());
            } else if (!group.empty()) {
                html += folded("Group " + std::to_string(++number) + ": " +
                                   std::to_string(group.size()) + " frames, from " +
                                   within_folder(group.front()),
                               names(group));
            }
        }
        if (!single.empty()) {
            html += folded(counted(single.size(), "frame", "frames") + " alone", names(single));
        }
        return html + section_end();
    }

    /// A file's name without the folder that all share.
    [[nodiscard]] std::string within_folder(const std::string& file) const {
        return file.starts_with(folder_) ? file.substr(folder_.size()) : file;
    }

    [[nodiscard]] std::string names(const std::vector<std::string>& files) const {
        std::string html = "<ul class=\"names columns\">";
        for (const std::string& file : files)
            html += "<li>" + name_html(within_folder(file)) + "</li>";
        return html + "</ul>\n";
    }

    [[nodiscard]] std::string map() const {
        const std::string svg = align_map(page_);
        if (svg.empty()) return {};
        return section_start("map", "Where the frames look") +
               "<p>Yaw to the right, pitch up. Numbers count the frames from 0 in the order of the "
               "scene file.</p>\n" +
               align_map_key(page_) +
               "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Map of the "
               "frames\">\n" +
               svg + "</div>\n" + section_end();
    }

    // ---- frames ----

    [[nodiscard]] static ReportTable frame_table(std::string_view caption) {
        return {caption,
                {{"File"},
                 {"Placed by"},
                 {"Pairs", true},
                 {"Matches", true},
                 {"RMS px", true},
                 {"Largest px", true},
                 {"Why"}}};
    }

    [[nodiscard]] size_t scene_index(size_t report) const {
        return page_.scene_index.empty() ? report : page_.scene_index[report];
    }

    void add_frame(ReportTable& table, size_t i) const {
        const FrameReport& f = report_.frame_reports[i];
        std::string why;
        if (std::find(unplaced_.begin(), unplaced_.end(), i) != unplaced_.end()) {
            why = "without a place; it is not in the picture";
        } else if (f.placed_by == "head") {
            why = "no matches; stands where the head aimed";
        } else if (f.low_confidence) {
            why = "low confidence: few matches, or large errors";
        }
        // Without pairs there is no error to tell.
        const double none = std::nan("");
        table.add({}, {"<span class=\"index\">" + std::to_string(scene_index(i)) + "</span>" +
                           name_html(within_folder(f.file)),
                       html_text(f.placed_by.empty() ? "\xE2\x80\x93" : f.placed_by),
                       std::to_string(f.pairs), std::to_string(f.matches),
                       decimal(f.pairs > 0 ? f.rms_px : none, 2),
                       decimal(f.pairs > 0 ? f.max_px : none, 2), html_text(why)});
    }

    [[nodiscard]] std::string frames_to_look_at() const {
        constexpr size_t kMost = 12;
        std::vector<size_t> order = unplaced_;
        order.insert(order.end(), low_.begin(), low_.end());
        order.insert(order.end(), by_head_.begin(), by_head_.end());
        if (order.empty()) return {};
        ReportTable table = frame_table("Frames that need a look");
        ReportTable rest = frame_table("More frames that need a look");
        for (size_t k = 0; k < order.size(); ++k) add_frame(k < kMost ? table : rest, order[k]);
        std::string html = section_start("frames", "Frames that need a look") + table.html();
        if (rest.rows() > 0) {
            html += folded(counted(rest.rows(), "more frame", "more frames"), rest.html());
        }
        return html + section_end();
    }

    // ---- pairs ----

    [[nodiscard]] std::string file_of(size_t frame) const {
        return frame < frames_.size() && frames_[frame] != nullptr
                   ? within_folder(frames_[frame]->file)
                   : "frame " + std::to_string(frame);
    }

    [[nodiscard]] static ReportTable pair_table(std::string_view caption) {
        return {caption,
                {{"Pair"},
                 {"Files"},
                 {"Matches", true},
                 {"Left aside", true},
                 {"RMS px", true},
                 {"Largest px", true},
                 {"Weak"}}};
    }

    void add_pair(ReportTable& table, size_t i) const {
        const PairReport& p = report_.pairs[i];
        table.add({}, {std::to_string(p.a) + " \xE2\x80\x93 " + std::to_string(p.b),
                       name_html(file_of(p.a)) + ", " + name_html(file_of(p.b)),
                       std::to_string(p.matches), std::to_string(p.moved), decimal(p.rms_px, 2),
                       decimal(p.max_px, 2), p.weak ? "weak" : ""});
    }

    [[nodiscard]] std::string crops(const PairCrops& c) const {
        const PairReport& p = report_.pairs[c.pair];
        const std::string name =
            "Pair " + std::to_string(p.a) + " \xE2\x80\x93 " + std::to_string(p.b);
        std::string html =
            "<div data-pair=\"" + std::to_string(p.a) + "," + std::to_string(p.b) + "\">\n<h3>" +
            name + "</h3>\n<p>" + (p.weak ? "<b>weak</b>, " : "") +
            counted(static_cast<size_t>(std::max<int64_t>(p.matches, 0)), "match", "matches") +
            ", " + pixels(p.rms_px) + " RMS, " + pixels(p.max_px) +
            " at most</p>\n<div class=\"crops\" style=\"--width:" + std::to_string(c.width) +
            "px;--height:" + std::to_string(c.height) + "px\">";
        for (const bool first : {true, false}) {
            const std::string file = file_of(first ? p.a : p.b);
            html += "<figure>" +
                    embedded_picture(first ? c.jpeg_a : c.jpeg_b, c.width, c.height,
                                     "The place as " + file + " shows it") +
                    "<figcaption>" + name_html(file) + "</figcaption></figure>";
        }
        return html + "</div>\n</div>\n";
    }

    /// Weak ones first, then by error; index breaks ties.
    [[nodiscard]] std::vector<size_t> worst_pairs() const {
        std::vector<size_t> order(report_.pairs.size());
        for (size_t i = 0; i < order.size(); ++i) order[i] = i;
        const auto error = [this](size_t i) {
            const double rms = report_.pairs[i].rms_px;
            return std::isfinite(rms) ? rms : 1e300;
        };
        std::stable_sort(order.begin(), order.end(), [&](size_t i, size_t j) {
            if (report_.pairs[i].weak != report_.pairs[j].weak) return report_.pairs[i].weak;
            return error(i) > error(j);
        });
        return order;
    }

    [[nodiscard]] std::string pairs_to_look_at() const {
        if (report_.pairs.empty()) return {};
        std::string html = section_start(
            "pairs", weak_.empty() ? "The pairs with the largest errors" : "Weak and worst pairs");
        std::string shown;
        int64_t widest = 0;
        for (const PairCrops& c : page_.crops) {
            if (c.pair >= report_.pairs.size()) continue;
            shown += crops(c);
            widest = std::max(widest, c.width);
        }
        if (!shown.empty()) {
            html +=
                "<p>The same place cut from both frames, at full size. What differs between the "
                "two will show at a seam.</p>\n<div class=\"pairs\" style=\"--widest:" +
                std::to_string(widest) + "px\">\n" + shown + "</div>\n";
        }
        constexpr size_t kMost = 10;
        const std::vector<size_t> order = worst_pairs();
        ReportTable table = pair_table("Weak and worst pairs");
        ReportTable rest = pair_table("More weak pairs");
        for (size_t k = 0; k < order.size() && k < std::max(kMost, weak_.size()); ++k) {
            add_pair(k < kMost ? table : rest, order[k]);
        }
        html += table.html();
        if (rest.rows() > 0) {
            html += folded(counted(rest.rows(), "more weak pair", "more weak pairs"), rest.html());
        }
        return html + section_end();
    }

    // ---- the rest ----

    [[nodiscard]] std::string cameras() const {
        ReportTable table("Cameras", {{"Camera"},
                                      {"Expected", true},
                                      {"Found", true},
                                      {"Difference", true},
                                      {"k1", true},
                                      {"k2", true},
                                      {"k3", true},
                                      {"Principal point px", true}});
        for (const CameraReport& c : report_.cameras) {
            const double change = 100 * (c.found_fov_deg / c.expected_fov_deg - 1);
            table.add(
                {},
                {name_html(c.name), decimal(c.expected_fov_deg, 3) + "\xC2\xB0",
                 decimal(c.found_fov_deg, 3) + "\xC2\xB0",
                 (change > 0 ? "+" : "") + decimal(change, 2) + " %", decimal(c.radial[0], 5),
                 decimal(c.radial[1], 5), decimal(c.radial[2], 5),
                 decimal(c.principal_point_px.x, 1) + ", " + decimal(c.principal_point_px.y, 1)});
        }
        return section_start("cameras", "Lens") +
               "<p>Field of view across the frame, and the lens that was found.</p>\n" +
               table.html() + section_end();
    }

    [[nodiscard]] std::string everything() const {
        if (report_.frame_reports.empty() && report_.pairs.empty()) return {};
        std::string html = section_start("everything", "All frames and pairs");
        if (!report_.frame_reports.empty()) {
            ReportTable table = frame_table("All frames");
            for (size_t i = 0; i < report_.frame_reports.size(); ++i) add_frame(table, i);
            html += folded("All " + counted(table.rows(), "frame", "frames"), table.html());
        }
        if (!report_.pairs.empty()) {
            ReportTable table = pair_table("All pairs");
            for (size_t i = 0; i < report_.pairs.size(); ++i) add_pair(table, i);
            html += folded("All " + counted(table.rows(), "pair", "pairs"), table.html());
        }
        return html + section_end();
    }

    const AlignPage& page_;
    const AlignReport& report_;
    std::vector<const FrameReport*> frames_;  ///< by scene index
    std::string folder_;
    bool doubtful_ = false;
    std::vector<size_t> unplaced_, low_, by_head_, weak_;
};

}  // namespace

std::string make_align_page(const AlignPage& page) {
    if (page.report == nullptr) {
        throw Error(ErrorCode::internal,
                    "align.html: there is no report to show; please report this");
    }
    return PageWriter(page, *page.report).html();
}

}  // namespace broadloom
