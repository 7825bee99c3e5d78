#include <cmath>
#include <nlohmann/json.hpp>

#include "align/align_page.hpp"
#include "io/web_text.hpp"

namespace broadloom {

namespace {

using Json = nlohmann::ordered_json;

/// JSON has no NaN and no infinity (RFC 8259, section 6).
Json number(double value) { return std::isfinite(value) ? Json(value) : Json(nullptr); }

Json text(const std::string& value) { return repair_utf8(value); }

Json texts(const std::vector<std::string>& values) {
    Json list = Json::array();
    for (const std::string& value : values) list.push_back(text(value));
    return list;
}

Json pair_json(const PairReport& p) {
    Json j;
    j["a"] = p.a;
    j["b"] = p.b;
    j["matches"] = p.matches;
    j["moved"] = p.moved;
    j["rms_px"] = number(p.rms_px);
    j["max_px"] = number(p.max_px);
    j["weak"] = p.weak;
    return j;
}

Json frame_json(const FrameReport& f) {
    Json j;
    j["frame"] = f.frame;
    j["file"] = text(f.file);
    j["placed_by"] = text(f.placed_by);
    j["pairs"] = f.pairs;
    j["matches"] = f.matches;
    j["rms_px"] = number(f.rms_px);
    j["max_px"] = number(f.max_px);
    j["low_confidence"] = f.low_confidence;
    return j;
}

Json camera_json(const CameraReport& c) {
    Json j;
    j["name"] = text(c.name);
    j["expected_fov_deg"] = number(c.expected_fov_deg);
    j["found_fov_deg"] = number(c.found_fov_deg);
    j["radial"] = {number(c.radial[0]), number(c.radial[1]), number(c.radial[2])};
    j["principal_point_px"] = {number(c.principal_point_px.x), number(c.principal_point_px.y)};
    return j;
}

template <typename Item, typename Convert>
Json list_of(const std::vector<Item>& items, const Convert& convert) {
    Json list = Json::array();
    for (const Item& item : items) list.push_back(convert(item));
    return list;
}

}  // namespace

std::string align_report_json(const AlignReport& report) {
    Json j;
    j["scene_file"] = text(report.scene_file.native());
    j["page"] = text(report.page.native());
    j["json"] = text(report.json.native());
    j["frames"] = report.frames;
    j["placed_by_matches"] = report.placed_by_matches;
    j["placed_by_head"] = report.placed_by_head;
    j["rms_px"] = number(report.rms_px);
    j["max_px"] = number(report.max_px);
    j["pairs"] = list_of(report.pairs, pair_json);
    j["frame_reports"] = list_of(report.frame_reports, frame_json);
    j["cameras"] = list_of(report.cameras, camera_json);
    j["spread_before_stops"] = number(report.spread_before_stops);
    j["spread_after_stops"] = number(report.spread_after_stops);
    j["groups"] = list_of(report.groups, texts);
    j["notes"] = texts(report.notes);
    return j.dump(2) + "\n";
}

}  // namespace broadloom
