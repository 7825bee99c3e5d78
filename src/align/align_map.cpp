#include "align/align_map.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <string_view>

#include "broadloom/error.hpp"
#include "io/report_page.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

constexpr double kWide = 1200;  ///< of the drawing, units; the page scales it

/// A number as SVG has it.
std::string drawn(double value) { return (value < -0.04 ? "-" : "") + decimal(std::abs(value), 1); }

struct Box {
    double x = 0, y = 0, half_width = 0, half_height = 0;  ///< degrees, y down
};

/// Outline of a frame, degrees; nullopt without a place. Yaw stretches with 1 / cos(pitch), as on
/// any map with straight meridians; near the poles the outline would say nothing.
std::optional<Box> box_of(const AlignPage& page, size_t i) {
    if (i >= page.yaw_deg.size() || i >= page.pitch_deg.size() || i >= page.width_deg.size() ||
        i >= page.height_deg.size()) {
        return {};
    }
    const std::array<double, 4> values{page.yaw_deg[i], page.pitch_deg[i], page.width_deg[i],
                                       page.height_deg[i]};
    for (const double value : values) {
        if (!std::isfinite(value) || std::abs(value) > 1000) return {};
    }
    const double stretch = 1 / std::max(0.25, std::cos(values[1] * std::numbers::pi / 180));
    return Box{values[0], -values[1], std::min(180.0, std::abs(values[2]) * stretch / 2),
               std::abs(values[3]) / 2};
}

class Map {
  public:
    explicit Map(const AlignPage& page)
        : report_(*page.report), frames_(reports_by_scene_index(page)) {
        bool first = true;
        for (size_t i = 0; i < frames_.size(); ++i) {
            boxes_.push_back(frames_[i] != nullptr ? box_of(page, i) : std::nullopt);
            if (!boxes_.back()) continue;
            const Box& b = *boxes_.back();
            left_ = first ? b.x - b.half_width : std::min(left_, b.x - b.half_width);
            right_ = first ? b.x + b.half_width : std::max(right_, b.x + b.half_width);
            top_ = first ? b.y - b.half_height : std::min(top_, b.y - b.half_height);
            bottom_ = first ? b.y + b.half_height : std::max(bottom_, b.y + b.half_height);
            first = false;
            ++frames_drawn_;
            narrowest_ = std::min({narrowest_, 2 * b.half_width, 2 * b.half_height});
        }
        const double margin = 0.02 * std::max(right_ - left_, bottom_ - top_) + 0.01;
        left_ -= margin;
        right_ += margin;
        top_ -= margin;
        bottom_ += margin;
        // Tall sets get a wider ground instead of a drawing many screens high.
        const double least = 1.4 * (bottom_ - top_);
        if (right_ - left_ < least) {
            const double middle = (left_ + right_) / 2;
            left_ = middle - least / 2;
            right_ = middle + least / 2;
        }
        scale_ = (kWide - kGutter) / (right_ - left_);
    }

    [[nodiscard]] std::string svg() const {
        if (frames_drawn_ == 0) return {};
        const double high = (bottom_ - top_) * scale_ + kGutter;
        std::string html = "<svg class=\"map signs\" viewBox=\"0 0 " + drawn(kWide) + " " +
                           drawn(high) +
                           "\" role=\"img\" aria-labelledby=\"map-name\"><title "
                           "id=\"map-name\">Map of " +
                           counted(frames_drawn_, "frame", "frames") + " and " +
                           counted(report_.pairs.size(), "pair", "pairs") +
                           "; the tables below say the same in words</title>\n";
        html +=
            "<defs><pattern id=\"hatch\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\" "
            "patternTransform=\"rotate(45)\"><path d=\"M0 0v7\"/></pattern></defs>\n";
        html += degrees(high);
        for (size_t i = 0; i < boxes_.size(); ++i) {
            if (boxes_[i]) html += outline(i);
        }
        // Weak lines last, so that none is hidden.
        for (const bool weak : {false, true}) {
            for (const PairReport& p : report_.pairs) {
                if (p.weak == weak) html += line(p);
            }
        }
        for (size_t i = 0; i < boxes_.size(); ++i) {
            if (boxes_[i]) html += node(i);
        }
        return html + "</svg>\n";
    }

  private:
    static constexpr double kGutter = 34;  ///< for the degrees, left and below

    [[nodiscard]] std::string x(double deg) const {
        return drawn(kGutter + (deg - left_) * scale_);
    }
    [[nodiscard]] std::string y(double deg) const { return drawn((deg - top_) * scale_); }

    static double round_step(double wanted) {
        constexpr std::array<double, 12> kSteps{0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 45, 90, 180};
        const auto* const step = std::lower_bound(kSteps.begin(), kSteps.end(), wanted);
        return step == kSteps.end() ? kSteps.back() : *step;
    }

    /// Lines and numbers at round degrees.
    [[nodiscard]] std::string degrees(double high) const {
        const double step = round_step((right_ - left_) / 9);
        const double step_up = round_step((bottom_ - top_) / 4);
        std::string html = "<g aria-hidden=\"true\">";
        for (double k = std::ceil(left_ / step); k * step <= right_; ++k) {
            // Past the edge of a full turn the numbers begin again.
            const double shown = std::remainder(k * step, 360);
            html += "<line class=\"degrees\" x1=\"" + x(k * step) + "\" y1=\"0\" x2=\"" +
                    x(k * step) + "\" y2=\"" + drawn(high - kGutter) + "\"/><text x=\"" +
                    x(k * step) + "\" y=\"" + drawn(high - kGutter / 2) + "\">" +
                    decimal(shown, step < 1 ? 1 : 0) + "\xC2\xB0</text>";
        }
        for (double k = std::ceil(top_ / step_up); k * step_up <= bottom_; ++k) {
            html += "<line class=\"degrees\" x1=\"" + drawn(kGutter) + "\" y1=\"" + y(k * step_up) +
                    "\" x2=\"" + drawn(kWide) + "\" y2=\"" + y(k * step_up) + "\"/><text x=\"" +
                    drawn(kGutter / 2) + "\" y=\"" + y(k * step_up) + "\">" +
                    decimal(-k * step_up, step_up < 1 ? 1 : 0) + "\xC2\xB0</text>";
        }
        return html + "</g>\n";
    }

    [[nodiscard]] std::string group(size_t i) const {
        const FrameReport& f = *frames_[i];
        std::string kind;
        if (f.placed_by == "matches") {
            kind = "matched";
        } else {
            kind = f.placed_by == "hand" ? "hand" : "head";
        }
        return "<g class=\"" + kind + (f.low_confidence ? " low" : "") + "\">";
    }

    [[nodiscard]] std::string tip(size_t i) const {
        const FrameReport& f = *frames_[i];
        return "<title>" + std::to_string(i) + ": " + html_text(f.file) + ", " +
               counted(static_cast<size_t>(std::max<int64_t>(f.pairs, 0)), "pair", "pairs") +
               "</title>";
    }

    [[nodiscard]] std::string outline(size_t i) const {
        const Box& b = *boxes_[i];
        return group(i) + "<rect class=\"outline\" x=\"" + x(b.x - b.half_width) + "\" y=\"" +
               y(b.y - b.half_height) + "\" width=\"" + drawn(2 * b.half_width * scale_) +
               "\" height=\"" + drawn(2 * b.half_height * scale_) + "\">" + tip(i) +
               "</rect></g>\n";
    }

    [[nodiscard]] std::string segment(const PairReport& p, double x1, double y1, double x2,
                                      double y2) const {
        return std::string("<line class=\"pair") + (p.weak ? " weak" : "") + "\" x1=\"" + x(x1) +
               "\" y1=\"" + y(y1) + "\" x2=\"" + x(x2) + "\" y2=\"" + y(y2) + "\"><title>" +
               std::to_string(p.a) + " \xE2\x80\x93 " + std::to_string(p.b) + ": " +
               std::to_string(p.matches) + " matches, " + decimal(p.rms_px, 2) +
               " px</title></line>\n";
    }

    [[nodiscard]] std::string line(const PairReport& p) const {
        if (p.a >= boxes_.size() || p.b >= boxes_.size() || !boxes_[p.a] || !boxes_[p.b]) return {};
        const Box& a = *boxes_[p.a];
        const Box& b = *boxes_[p.b];
        const double turn = b.x - a.x > 180 ? -360 : b.x - a.x < -180 ? 360 : 0;
        if (turn == 0) return segment(p, a.x, a.y, b.x, b.y);
        // Round the back: a piece at each edge.
        return segment(p, a.x, a.y, b.x + turn, b.y) + segment(p, a.x - turn, a.y, b.x, b.y);
    }

    /// A disc, a square or a triangle, and the frame's number where there is room.
    [[nodiscard]] std::string node(size_t i) const {
        const Box& b = *boxes_[i];
        const FrameReport& f = *frames_[i];
        const double size = std::clamp(narrowest_ * scale_ / 14, 2.5, 6.0);
        const double cx = kGutter + (b.x - left_) * scale_;
        const double cy = (b.y - top_) * scale_;
        std::string html = group(i);
        if (f.placed_by == "matches" && f.low_confidence) {
            html += "<path class=\"node\" d=\"M" + drawn(cx) + " " + drawn(cy - 1.5 * size) + "l" +
                    drawn(1.5 * size) + " " + drawn(2.5 * size) + "h-" + drawn(3 * size) + "z\"/>";
        } else if (f.placed_by == "matches") {
            html += "<circle class=\"node\" cx=\"" + drawn(cx) + "\" cy=\"" + drawn(cy) +
                    "\" r=\"" + drawn(size) + "\"/>";
        } else {
            html += "<rect class=\"node\" x=\"" + drawn(cx - size) + "\" y=\"" + drawn(cy - size) +
                    "\" width=\"" + drawn(2 * size) + "\" height=\"" + drawn(2 * size) + "\"/>";
        }
        if (narrowest_ * scale_ >= 46) {
            html += "<text x=\"" + drawn(cx) + "\" y=\"" + drawn(cy + 2.4 * size + 5) + "\">" +
                    std::to_string(i) + "</text>";
        }
        return html + "</g>\n";
    }

    const AlignReport& report_;
    std::vector<const FrameReport*> frames_;
    std::vector<std::optional<Box>> boxes_;
    double left_ = 0, right_ = 0, top_ = 0, bottom_ = 0, scale_ = 1, narrowest_ = 360;
    size_t frames_drawn_ = 0;
};

}  // namespace

std::vector<const FrameReport*> reports_by_scene_index(const AlignPage& page) {
    const std::vector<FrameReport>& reports = page.report->frame_reports;
    const size_t scene_frames = page.yaw_deg.size();
    if (page.scene_index.size() != reports.size() &&
        !(page.scene_index.empty() && (scene_frames == 0 || scene_frames == reports.size()))) {
        throw Error(ErrorCode::internal,
                    "align.html: frames that took part are not told from those that did not; "
                    "please report this");
    }
    std::vector<const FrameReport*> frames(std::max(scene_frames, reports.size()), nullptr);
    for (size_t k = 0; k < reports.size(); ++k) {
        const size_t i = page.scene_index.empty() ? k : page.scene_index[k];
        if (i >= frames.size()) frames.resize(i + 1, nullptr);
        frames[i] = &reports[k];
    }
    return frames;
}

std::string align_map(const AlignPage& page) { return Map(page).svg(); }

std::string align_map_key(const AlignPage& page) {
    bool matched = false;
    bool head = false;
    bool hand = false;
    bool low = false;
    bool low_head = false;
    for (const FrameReport& f : page.report->frame_reports) {
        if (f.placed_by == "matches") (f.low_confidence ? low : matched) = true;
        if (f.placed_by == "head") (f.low_confidence ? low_head : head) = true;
        if (f.placed_by == "hand") hand = true;
    }
    bool weak = false;
    bool firm = false;
    for (const PairReport& p : page.report->pairs) (p.weak ? weak : firm) = true;
    std::string html = "<ul class=\"legend\">";
    const auto add = [&html](bool wanted, std::string_view drawing, std::string_view words) {
        if (!wanted) return;
        html += "<li><svg class=\"key signs\" viewBox=\"0 0 34 22\" aria-hidden=\"true\">" +
                std::string(drawing) + "</svg>" + std::string(words) + "</li>";
    };
    constexpr std::string_view kFrame =
        "<rect class=\"outline\" x=\"1\" y=\"1\" width=\"32\" height=\"20\"/>";
    const std::string frame(kFrame);
    const std::string square = "<rect class=\"node\" x=\"13\" y=\"7\" width=\"8\" height=\"8\"/>";
    add(matched, frame + "<circle class=\"node\" cx=\"17\" cy=\"11\" r=\"4.5\"/>",
        "placed by matches");
    add(head, "<g class=\"head\">" + frame + square + "</g>", "placed by the head alone");
    add(low_head, "<g class=\"head low\">" + frame + square + "</g>",
        head ? "placed by the head alone, low confidence" : "placed by the head alone");
    add(hand, "<g class=\"hand\">" + frame + square + "</g>", "placed by hand");
    add(low, "<g class=\"low\">" + frame + "<path class=\"node\" d=\"M17 4.5l6 10.5h-12z\"/></g>",
        matched ? "placed by matches, low confidence" : "low confidence");
    add(firm, "<path class=\"pair\" d=\"M1 11h32\"/>", "pair");
    add(weak, "<path class=\"pair weak\" d=\"M1 11h32\"/>", "weak pair");
    return html + "</ul>\n";
}

}  // namespace broadloom
