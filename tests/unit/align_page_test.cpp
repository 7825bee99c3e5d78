#include "align/align_page.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <string>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/report_page.hpp"
#include "support/page_text.hpp"

using namespace broadloom;
using namespace broadloom::testing;

namespace {

/// One row of frames, each linked with the next.
struct Sample {
    AlignReport report;
    AlignPage page;

    explicit Sample(size_t frames) {
        page.title = "Weir";
        page.report = &report;
        for (size_t i = 0; i < frames; ++i) {
            FrameReport f;
            f.frame = i;
            f.file = "f" + std::to_string(i) + ".jpg";
            f.placed_by = "matches";
            f.pairs = 2;
            f.matches = 80;
            report.frame_reports.push_back(f);
            page.yaw_deg.push_back(10 * static_cast<double>(i));
            page.pitch_deg.push_back(0);
            page.width_deg.push_back(15);
            page.height_deg.push_back(10);
            if (i > 0) {
                PairReport p;
                p.a = i - 1;
                p.b = i;
                p.matches = 40;
                p.rms_px = 0.25 + 0.01 * static_cast<double>(i);
                p.max_px = 0.9;
                report.pairs.push_back(p);
            }
        }
        report.frames = report.placed_by_matches = static_cast<int64_t>(frames);
        report.rms_px = 0.312;
        report.max_px = 1.25;
        report.cameras.push_back({"main", 20, 19.5, {-0.05, 0, 0}, {100, 50}});
        report.spread_before_stops = 0.4;
        report.spread_after_stops = 0.05;
    }
    Sample(const Sample&) = delete;
    Sample& operator=(const Sample&) = delete;

    [[nodiscard]] std::string html() const { return make_align_page(page); }
};

std::string verdict(const std::string& page) {
    return between(page, "<div class=\"verdict ", "</div>\n</div>");
}

std::string map(const std::string& page) { return between(page, "<svg class=\"map", "</svg>"); }

}  // namespace

TEST_CASE("A set that holds together says so, with its figures", "[align_page]") {
    const std::string page = Sample(5).html();
    CHECK(verdict(page).starts_with("good"));
    CHECK(holds(verdict(page), "<strong>Holds together, 0.31 px RMS</strong>"));
    CHECK(figure(page, "RMS error") == "0.31 px");
    CHECK(figure(page, "Largest error") == "1.25 px");
    CHECK(figure(page, "Frames") == "5");
    CHECK(figure(page, "By matches") == "5");
    CHECK(figure(page, "By the head") == "0");
    CHECK(figure(page, "Low confidence") == "0");
    CHECK(figure(page, "Pairs") == "4");
    CHECK(figure(page, "Weak pairs") == "0");
    CHECK(holds(figure(page, "Field of view, expected and found"), "20.00\xC2\xB0"));
    CHECK(holds(figure(page, "Field of view, expected and found"), "19.50\xC2\xB0"));
    CHECK(holds(figure(page, "Exposure spread, before and after"), "0.40"));
    CHECK(holds(figure(page, "Exposure spread, before and after"), "0.05 stops"));
    CHECK(holds(between(page, "id=\"cameras\"", "</section>"),
                "\xE2\x88\x92"
                "2.50 %"));
    CHECK_FALSE(holds(page, "id=\"frames\""));
    CHECK_FALSE(holds(page, "id=\"groups\""));
    CHECK(reaches_outside(page).empty());
}

TEST_CASE("Doubtful frames and weak pairs are listed and counted", "[align_page]") {
    Sample sample(6);
    sample.report.frame_reports[0].placed_by = "head";
    sample.report.frame_reports[0].low_confidence = true;
    sample.report.frame_reports[0].pairs = 0;
    sample.report.frame_reports[3].low_confidence = true;
    sample.report.frame_reports[5].placed_by.clear();
    sample.report.pairs[2].weak = true;
    sample.report.placed_by_matches = 4;
    sample.report.placed_by_head = 1;
    const std::string page = sample.html();
    CHECK(verdict(page).starts_with("look"));
    CHECK(holds(verdict(page), "look at 4 things"));
    CHECK(holds(verdict(page), "1 frame without a place"));
    CHECK(holds(verdict(page), "1 frame placed by the head alone"));
    CHECK(holds(verdict(page), "1 frame held by little"));
    CHECK(holds(verdict(page), "1 weak pair"));
    CHECK(figure(page, "By matches") == "4");
    CHECK(figure(page, "By the head") == "1");
    CHECK(figure(page, "Low confidence") == "2");
    CHECK(figure(page, "Weak pairs") == "1");
    const std::string frames = between(page, "id=\"frames\"", "</section>");
    CHECK(count(frames, "<th scope=\"row\"") == 3);
    CHECK(frames.find("f5.jpg") < frames.find("f3.jpg"));
    CHECK(frames.find("f3.jpg") < frames.find("f0.jpg"));
    const std::string pairs = between(page, "id=\"pairs\"", "</section>");
    CHECK(count(pairs, "<th scope=\"row\"") == 5);
    // The weak one first, the others by error.
    CHECK(pairs.find("2 \xE2\x80\x93 3") < pairs.find("4 \xE2\x80\x93 5"));
    CHECK(pairs.find("4 \xE2\x80\x93 5") < pairs.find("0 \xE2\x80\x93 1"));
    CHECK(count(pairs, "<div>weak</div>") == 1);
}

TEST_CASE("The head's frames alone are no reason to look while they are trusted", "[align_page]") {
    Sample sample(3);
    sample.report.frame_reports[1].placed_by = "head";
    CHECK(verdict(sample.html()).starts_with("good"));
    CHECK(holds(verdict(sample.html()), "1 frame placed by the head alone"));
    sample.report.frame_reports[1].low_confidence = true;
    CHECK(verdict(sample.html()).starts_with("look"));
}

TEST_CASE("A set that falls apart names its groups", "[align_page]") {
    Sample sample(6);
    sample.page.problem = "the set falls into 3 groups";
    sample.report.groups = {{"f0.jpg", "f1.jpg", "f2.jpg"}, {"f3.jpg", "f4.jpg"}, {"f5.jpg"}};
    const std::string page = sample.html();
    CHECK(verdict(page).starts_with("bad"));
    CHECK(holds(verdict(page), "Does not hold together"));
    CHECK(holds(verdict(page), "<p>The set falls into 3 groups</p>"));
    const std::string groups = between(page, "id=\"groups\"", "</section>");
    CHECK(holds(groups, "3 groups"));
    CHECK(holds(groups, "Group 1: 3 frames, from f0.jpg"));
    CHECK(holds(groups, "Group 2: 2 frames, from f3.jpg"));
    CHECK(holds(groups, "1 frame alone"));
    CHECK(count(groups, "<li>") == 6);
}

TEST_CASE("The map draws every frame that has a place, and every pair of such", "[align_page]") {
    Sample sample(6);
    sample.report.pairs[1].weak = true;
    CHECK(count(map(sample.html()), "class=\"outline\"") == 6);
    CHECK(count(map(sample.html()), "class=\"pair\"") == 4);
    CHECK(count(map(sample.html()), "class=\"pair weak\"") == 1);
    sample.page.yaw_deg[2] = std::nan("");
    sample.page.height_deg[5] = std::numeric_limits<double>::infinity();
    const std::string drawing = map(sample.html());
    CHECK(count(drawing, "class=\"outline\"") == 4);
    CHECK(count(drawing, "class=\"pair\"") == 2);  // 0 - 1 and 3 - 4
    CHECK(count(drawing, "class=\"pair weak\"") == 0);
    CHECK_FALSE(holds(drawing, "nan"));
    CHECK_FALSE(holds(drawing, "inf"));
    for (double& yaw : sample.page.yaw_deg) yaw = std::nan("");
    CHECK_FALSE(holds(sample.html(), "id=\"map\""));
}

TEST_CASE("Higher pitch is higher on the map, larger yaw further right", "[align_page]") {
    Sample sample(2);
    const auto number = [](const std::string& text, const std::string& name) {
        return std::stod(between(text, name + "=\"", "\""));
    };
    sample.page.pitch_deg = {0, 8};
    const std::string drawing = map(sample.html());
    const std::string line = between(drawing, "class=\"pair\"", ">");
    CHECK(number(line, "x1") < number(line, "x2"));
    CHECK(number(line, "y1") > number(line, "y2"));
    // Equal scales: 10 degrees of yaw against 8 of pitch; one decimal each.
    CHECK_THAT(
        (number(line, "y1") - number(line, "y2")) / (number(line, "x2") - number(line, "x1")),
        Catch::WithinAbs(0.8, 0.002));
}

TEST_CASE("A pair across the back is drawn at both edges", "[align_page]") {
    Sample sample(2);
    sample.page.yaw_deg = {-175, 175};
    CHECK(count(map(sample.html()), "class=\"pair\"") == 2);
    sample.page.yaw_deg = {-85, 85};
    CHECK(count(map(sample.html()), "class=\"pair\"") == 1);
}

TEST_CASE("How a frame was placed shows in more than its colour", "[align_page]") {
    Sample sample(4);
    sample.report.frame_reports[1].placed_by = "head";
    sample.report.frame_reports[2].low_confidence = true;
    const std::string drawing = map(sample.html());
    CHECK(count(drawing, "<circle class=\"node\"") == 2);
    CHECK(count(drawing, "<rect class=\"node\"") == 1);
    CHECK(count(drawing, "<path class=\"node\"") == 1);
    CHECK(count(drawing, "<g class=\"head\">") == 2);
    const std::string style(report_style());
    CHECK(holds(style, ".signs .head .outline { fill: url(#hatch)"));
    CHECK(holds(drawing, "id=\"hatch\""));
}

TEST_CASE("Frames that took no part do not shift the numbers", "[align_page]") {
    Sample sample(4);
    // The scene holds five frames; its second is left out.
    sample.page.scene_index = {0, 2, 3, 4};
    sample.page.yaw_deg = {0, std::nan(""), 10, 20, 30};
    sample.page.pitch_deg = sample.page.width_deg = sample.page.height_deg = {5, 5, 5, 5, 5};
    for (PairReport& p : sample.report.pairs) {
        p.a = sample.page.scene_index[p.a];
        p.b = sample.page.scene_index[p.b];
    }
    const std::string page = sample.html();
    CHECK(count(map(page), "class=\"outline\"") == 4);
    CHECK(count(map(page), "class=\"pair\"") == 3);
    CHECK(holds(map(page), "4: f3.jpg"));
    CHECK(holds(page, "<bdi>f1.jpg</bdi>, <bdi>f2.jpg</bdi>"));
    CHECK_FALSE(holds(page, "frame 4"));
    sample.page.scene_index.clear();
    CHECK_THROWS_AS(sample.html(), Error);
    sample.page.report = nullptr;
    CHECK_THROWS_AS(sample.html(), Error);
}

TEST_CASE("Crops stand beside each other with the names of their frames", "[align_page]") {
    Sample sample(4);
    sample.page.crops = {{2, "left crop", "right crop", 200, 120}, {77, "x", "y", 1, 1}};
    const std::string page = sample.html();
    const std::string pair = between(page, "data-pair=\"2,3\"", "</div>\n</div>");
    CHECK(pair.find(base64("left crop")) < pair.find(base64("right crop")));
    CHECK(count(pair, "width=\"200\" height=\"120\"") == 2);
    CHECK(pair.find("f2.jpg") < pair.find("f3.jpg"));
    CHECK(count(page, "data-pair=") == 1);
    CHECK(reaches_outside(page).empty());
}

TEST_CASE("A folder that all frames share is told once", "[align_page]") {
    Sample sample(4);
    for (FrameReport& f : sample.report.frame_reports) f.file = "../card/day/" + f.file;
    sample.report.frame_reports[1].low_confidence = true;
    sample.report.groups = {{"../card/day/f0.jpg"}, {"../card/day/f3.jpg", "../card/day/f1.jpg"}};
    sample.page.crops = {{0, "a", "b", 10, 10}};
    std::string page = sample.html();
    CHECK(figure(page, "Folder of the frames") == "../card/day/");
    CHECK(holds(page, "<bdi>f1.jpg</bdi>"));
    CHECK(holds(page, "Group 1: 2 frames, from f3.jpg"));
    CHECK_FALSE(holds(page, "<bdi>../card"));
    // Names that only begin alike, and folders of their own, keep what tells them apart.
    sample.report.frame_reports[0].file = "../card/daylight/f0.jpg";
    page = sample.html();
    CHECK(figure(page, "Folder of the frames") == "../card/");
    CHECK(holds(page, "<bdi>daylight/f0.jpg</bdi>"));
    CHECK(holds(page, "<bdi>day/f1.jpg</bdi>"));
    sample.report.frame_reports[0].file = "f0.jpg";
    page = sample.html();
    CHECK(figure(page, "Folder of the frames").empty());
    CHECK(holds(page, "<bdi>../card/day/f1.jpg</bdi>"));
}

TEST_CASE("Groups stand before the map only when they are the problem", "[align_page]") {
    Sample sample(3);
    sample.report.groups = {{"f0.jpg", "f1.jpg"}, {"f2.jpg"}};
    std::string page = sample.html();
    CHECK(page.find("id=\"groups\"") > page.find("id=\"map\""));
    CHECK(holds(page, "id=\"groups\""));
    sample.page.problem = "the set falls into 2 groups";
    page = sample.html();
    CHECK(page.find("id=\"groups\"") < page.find("id=\"map\""));
    CHECK(count(page, "id=\"groups\"") == 1);
}

TEST_CASE("Without pairs no error is claimed", "[align_page]") {
    Sample sample(3);
    sample.report.pairs.clear();
    sample.report.rms_px = 0;
    const std::string page = sample.html();
    CHECK(figure(page, "RMS error") == "\xE2\x80\x93 px");
    CHECK_FALSE(holds(verdict(page), "0.00 px"));
    AlignReport empty;
    sample.page = {};
    sample.page.report = &empty;
    CHECK(sample.html().ends_with("</html>\n"));
}

TEST_CASE("Names in a report may hold anything", "[align_page]") {
    const std::string bad = "<script>window.x=1</script>\"'\n\xFF\xC3";
    Sample sample(4);
    sample.page.title = sample.page.problem = bad;
    size_t number = 0;
    for (FrameReport& f : sample.report.frame_reports) f.file = std::to_string(++number) + bad;
    sample.report.frame_reports[1].placed_by = bad;
    sample.report.cameras.push_back(sample.report.cameras.front());
    for (CameraReport& c : sample.report.cameras) c.name = bad;
    sample.report.notes = {bad};
    sample.report.groups = {{bad, bad}, {bad}, {}};
    sample.page.crops = {{0, "a", "b", 10, 10}};
    sample.report.pairs[0].b = 99;
    const std::string page = sample.html();
    CHECK(reaches_outside(page).empty());
    CHECK(valid_utf8_prefix(page) == page.size());
    CHECK(
        count(page, "&lt;script&gt;window.x=1&lt;/script&gt;&quot;&#39; \xEF\xBF\xBD\xEF\xBF\xBD") >
        15);
    CHECK(holds(page, "frame 99"));
}

TEST_CASE("align.json holds every field in a fixed order", "[align_page]") {
    Sample sample(2);
    AlignReport& r = sample.report;
    r.scene_file = "set/scene.json";
    r.page = "set/align.html";
    r.json = "set/align.json";
    r.placed_by_head = 7;
    r.groups = {{"f0.jpg"}, {"f1.jpg"}};
    r.notes = {"one", "two"};
    r.pairs[0].weak = true;
    r.pairs[0].moved = 6;
    r.frame_reports[1].max_px = 1e-9;
    const std::string text = align_report_json(r);
    const auto j = nlohmann::ordered_json::parse(text);
    std::vector<std::string> keys;
    for (const auto& [key, value] : j.items()) keys.push_back(key);
    CHECK(keys == std::vector<std::string>{
                      "scene_file", "page", "json", "frames", "placed_by_matches", "placed_by_head",
                      "rms_px", "max_px", "pairs", "frame_reports", "cameras",
                      "spread_before_stops", "spread_after_stops", "groups", "notes"});
    CHECK(j["scene_file"] == "set/scene.json");
    CHECK(j["page"] == "set/align.html");
    CHECK(j["json"] == "set/align.json");
    CHECK(j["frames"] == 2);
    CHECK(j["placed_by_matches"] == 2);
    CHECK(j["placed_by_head"] == 7);
    CHECK(j["rms_px"] == 0.312);
    CHECK(j["max_px"] == 1.25);
    CHECK(j["pairs"].dump() ==
          R"([{"a":0,"b":1,"matches":40,"moved":6,"rms_px":0.26,"max_px":0.9,"weak":true}])");
    CHECK(j["frame_reports"][1].dump() ==
          R"({"frame":1,"file":"f1.jpg","placed_by":"matches","pairs":2,"matches":80,"rms_px":0.0,)"
          R"("max_px":1e-09,"low_confidence":false})");
    CHECK(j["cameras"].dump() == R"([{"name":"main","expected_fov_deg":20.0,"found_fov_deg":19.5,)"
                                 R"("radial":[-0.05,0.0,0.0],"principal_point_px":[100.0,50.0]}])");
    CHECK(j["spread_before_stops"] == 0.4);
    CHECK(j["spread_after_stops"] == 0.05);
    CHECK(j["groups"].dump() == R"([["f0.jpg"],["f1.jpg"]])");
    CHECK(j["notes"].dump() == R"(["one","two"])");
    CHECK(text == align_report_json(r));
    CHECK(text.back() == '\n');
}

TEST_CASE("align.json is JSON whatever the report holds", "[align_page]") {
    Sample sample(2);
    AlignReport& r = sample.report;
    r.rms_px = std::nan("");
    r.pairs[0].max_px = std::numeric_limits<double>::infinity();
    r.cameras[0].radial[1] = -std::numeric_limits<double>::infinity();
    r.frame_reports[0].file = "\xFF\"\n";
    r.scene_file = std::string("\xC3");
    const auto j = nlohmann::json::parse(align_report_json(r));
    CHECK(j["rms_px"].is_null());
    CHECK(j["max_px"] == 1.25);
    CHECK(j["pairs"][0]["max_px"].is_null());
    CHECK(j["cameras"][0]["radial"][1].is_null());
    CHECK(j["cameras"][0]["radial"][0] == -0.05);
    CHECK(j["frame_reports"][0]["file"] == "\xEF\xBF\xBD\"\n");
    CHECK(j["scene_file"] == "\xEF\xBF\xBD");
    // An empty report has its lists all the same.
    const auto empty = nlohmann::json::parse(align_report_json({}));
    for (const char* list : {"pairs", "frame_reports", "cameras", "groups", "notes"}) {
        CHECK(empty[list].is_array());
    }
}
