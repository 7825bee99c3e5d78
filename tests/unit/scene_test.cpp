#include "broadloom/scene.hpp"

#include <unistd.h>

#include <algorithm>
#include <bit>
#include <catch2/catch.hpp>
#include <cmath>
#include <fstream>
#include <limits>
#include <nlohmann/json.hpp>
#include <random>

#include "broadloom/error.hpp"

using namespace broadloom;
namespace fs = std::filesystem;

namespace {

const std::string kExample = R"({
  "format": "broadloom-scene", "version": 1,
  "title": "", "credit": "", "rights": "", "extra": {},
  "cameras": {
    "main": {"width": 5472, "height": 3648, "focal_px": 15200.0,
             "principal_point_px": [2736.0, 1824.0],
             "radial": [0.0, 0.0, 0.0], "tangential": [0.0, 0.0], "vignetting": [0.0, 0.0, 0.0]}
  },
  "canvas": {"surface": "sphere", "left_deg": -60, "right_deg": 60, "top_deg": 20, "bottom_deg": -25,
             "pixels_per_degree": 265.3},
  "frames": [
    {"file": "frames/0001.jpg", "row": 0, "column": 0, "camera": "main",
     "yaw_deg": -40.0, "pitch_deg": 12.0, "roll_deg": 0.0, "gain": [1.0, 1.0, 1.0],
     "use": "yes", "reason": "", "placed_by": "matches", "masks": []}
  ]
}
)";

const std::string kLeast = R"({"format": "broadloom-scene", "version": 1,
"cameras": {"main": {"width": 100, "height": 80, "focal_px": 90}},
"frames": [{"file": "a.jpg", "camera": "main"}]})";

Scene parse(const std::string& text, SceneNeeds needs = SceneNeeds::anything) {
    return parse_scene(text, "s.json", needs);
}

/// kExample, or another text, with the one place where `from` stands replaced.
std::string with(const std::string& from, const std::string& to, std::string text = kExample) {
    const size_t at = text.find(from);
    REQUIRE(at != std::string::npos);
    REQUIRE(text.find(from, at + 1) == std::string::npos);
    return text.replace(at, from.size(), to);
}

Error error_of(const std::string& text, SceneNeeds needs = SceneNeeds::anything) {
    try {
        parse(text, needs);
    } catch (const Error& error) {
        CHECK(error.code() == ErrorCode::input);
        CHECK(std::string(error.what()).find('\n') == std::string::npos);
        CHECK(std::string(error.what()).rfind("s.json: ", 0) == 0);
        return error;
    }
    FAIL("accepted: " + text.substr(0, 2000));
    return {ErrorCode::internal, ""};
}

size_t lines(const Error& error) {
    const std::string& details = error.details();
    return details.empty()
               ? 0
               : 1 + static_cast<size_t>(std::count(details.begin(), details.end(), '\n'));
}

/// Checks that there is one problem, at this place, and that its text holds `what`.
void check_only(const std::string& text, const std::string& place, const std::string& what,
                SceneNeeds needs = SceneNeeds::anything) {
    const Error error = error_of(text, needs);
    INFO(error.details());
    CHECK(lines(error) == 1);
    CHECK(error.details() == error.what());
    const std::string message = error.what();
    CHECK(message.rfind("s.json: " + place + " (line ", 0) == 0);
    CHECK(message.find(what) != std::string::npos);
    CHECK(message.find("; ") != std::string::npos);  // what to do
}

bool same(double a, double b) { return std::bit_cast<uint64_t>(a) == std::bit_cast<uint64_t>(b); }
bool same(const std::optional<double>& a, const std::optional<double>& b) {
    return a.has_value() == b.has_value() && (!a || same(*a, *b));
}
template <size_t N>
bool same(const std::array<double, N>& a, const std::array<double, N>& b) {
    return std::equal(a.begin(), a.end(), b.begin(), [](double x, double y) { return same(x, y); });
}
bool same(const Camera& a, const Camera& b) {
    const auto& p = a.principal_point_px;
    const auto& q = b.principal_point_px;
    return a.width == b.width && a.height == b.height && same(a.focal_px, b.focal_px) &&
           p.has_value() == q.has_value() && (!p || (same(p->x, q->x) && same(p->y, q->y))) &&
           same(a.radial, b.radial) && same(a.tangential, b.tangential) &&
           same(a.vignetting, b.vignetting);
}
bool same(const FrameMask& a, const FrameMask& b) {
    return a.kind == b.kind &&
           std::equal(a.outline_px.begin(), a.outline_px.end(), b.outline_px.begin(),
                      b.outline_px.end(),
                      [](Vec2 p, Vec2 q) { return same(p.x, q.x) && same(p.y, q.y); });
}
bool same(const Frame& a, const Frame& b) {
    return a.file == b.file && a.camera == b.camera && a.row == b.row && a.column == b.column &&
           a.orientation == b.orientation && same(a.yaw_deg, b.yaw_deg) &&
           same(a.pitch_deg, b.pitch_deg) && same(a.roll_deg, b.roll_deg) && same(a.gain, b.gain) &&
           a.use == b.use && a.reason == b.reason && a.placed_by == b.placed_by &&
           std::equal(a.masks.begin(), a.masks.end(), b.masks.begin(), b.masks.end(),
                      [](const FrameMask& x, const FrameMask& y) { return same(x, y); });
}
bool same(const Scene& a, const Scene& b) {
    return a.title == b.title && a.credit == b.credit && a.rights == b.rights &&
           a.extra_json == b.extra_json && a.canvas.surface == b.canvas.surface &&
           same(a.canvas.left_deg, b.canvas.left_deg) &&
           same(a.canvas.right_deg, b.canvas.right_deg) &&
           same(a.canvas.top_deg, b.canvas.top_deg) &&
           same(a.canvas.bottom_deg, b.canvas.bottom_deg) &&
           same(a.canvas.pixels_per_degree, b.canvas.pixels_per_degree) &&
           std::equal(a.cameras.begin(), a.cameras.end(), b.cameras.begin(), b.cameras.end(),
                      [](const auto& x, const auto& y) {
                          return x.first == y.first && same(x.second, y.second);
                      }) &&
           std::equal(a.frames.begin(), a.frames.end(), b.frames.begin(), b.frames.end(),
                      [](const Frame& x, const Frame& y) { return same(x, y); });
}

}  // namespace

TEST_CASE("The documented example is read as it says", "[scene]") {
    const Scene scene = parse(kExample, SceneNeeds::orientations);
    CHECK(scene.title.empty());
    CHECK(scene.extra_json == "{}");
    REQUIRE(scene.cameras.size() == 1);
    const Camera& camera = scene.cameras.at("main");
    CHECK(camera.width == 5472);
    CHECK(camera.height == 3648);
    CHECK(camera.focal_px == 15200);
    REQUIRE(camera.principal_point_px.has_value());
    CHECK(camera.principal_point_px->x == 2736);
    CHECK(camera.principal_point_px->y == 1824);
    CHECK(scene.canvas.surface == Surface::sphere);
    CHECK(scene.canvas.left_deg == -60);
    CHECK(scene.canvas.right_deg == 60);
    CHECK(scene.canvas.top_deg == 20);
    CHECK(scene.canvas.bottom_deg == -25);
    CHECK(scene.canvas.pixels_per_degree == 265.3);
    REQUIRE(scene.frames.size() == 1);
    const Frame& frame = scene.frames[0];
    CHECK(frame.file == "frames/0001.jpg");
    CHECK(frame.row == 0);
    CHECK(frame.column == 0);
    CHECK(frame.camera == "main");
    CHECK(frame.yaw_deg == -40);
    CHECK(frame.pitch_deg == 12);
    CHECK(frame.use);
    CHECK(frame.placed_by == "matches");
    CHECK(frame.masks.empty());
}

TEST_CASE("Absent keys take their defaults or stay absent", "[scene]") {
    const Scene scene = parse(kLeast);
    const Camera& camera = scene.cameras.at("main");
    CHECK_FALSE(camera.principal_point_px.has_value());
    CHECK(camera.principal_point().x == 50);
    CHECK(camera.principal_point().y == 40);
    CHECK(camera.radial == std::array<double, 3>{0, 0, 0});
    CHECK(camera.tangential == std::array<double, 2>{0, 0});
    CHECK(camera.vignetting == std::array<double, 3>{0, 0, 0});
    CHECK(scene.canvas.surface == Surface::sphere);
    CHECK_FALSE(scene.canvas.left_deg.has_value());
    CHECK_FALSE(scene.canvas.pixels_per_degree.has_value());
    const Frame& frame = scene.frames.at(0);
    CHECK_FALSE(frame.row.has_value());
    CHECK_FALSE(frame.column.has_value());
    CHECK_FALSE(frame.yaw_deg.has_value());
    CHECK_FALSE(frame.pitch_deg.has_value());
    CHECK(frame.roll_deg == 0);
    CHECK(frame.gain == std::array<double, 3>{1, 1, 1});
    CHECK(frame.use);
    CHECK(frame.placed_by.empty());
    CHECK(scene.extra_json == "{}");
    CHECK(same(parse(scene_to_json(scene)), scene));
}

TEST_CASE("Less usual but right scenes are accepted", "[scene]") {
    CHECK(parse("\xEF\xBB\xBF" + kExample).frames.size() == 1);  // byte order mark
    CHECK(parse(with("5472", "5472.0")).cameras.at("main").width == 5472);
    CHECK(parse(with("5472", "5.472e3")).cameras.at("main").width == 5472);
    CHECK(parse(with("\"sphere\"", "\"cylinder\"")).canvas.surface == Surface::cylinder);
    CHECK(parse(with("\"right_deg\": 60", "\"right_deg\": 300")).canvas.right_deg == 300);
    CHECK(parse(with("-40.0", "1e-400")).frames[0].yaw_deg == 0);  // too small for a double
    const std::string left_out = with("\"use\": \"yes\"", "\"use\": \"left out\"");
    CHECK_FALSE(parse(left_out).frames[0].use);
    // The same file twice.
    const Scene twice = parse(with("[{\"file\": \"a.jpg\", \"camera\": \"main\"}]",
                                   R"([{"file":"a.jpg","camera":"main"},
                                       {"file":"a.jpg","camera":"main"}])",
                                   kLeast));
    CHECK(twice.frames.size() == 2);
    CHECK(
        parse(with("[{\"file\": \"a.jpg\", \"camera\": \"main\"}]", "[]", kLeast)).frames.empty());
}

TEST_CASE("extra is kept to the last digit", "[scene]") {
    const std::string extra =
        R"({"a":[1,-0,18446744073709551615,-9223372036854775808,123456789012345678901234567890],)"
        R"("b":{"c":0.1000000000000000055511151231257827,"d":1E5,"e":-0.0,"f":1.50},)"
        R"("g":"tab\tquote\" ü \u0000","h":[null,true,false,[],{}],"yaw":2,"yaw":3})";
    const Scene scene = parse(with("\"extra\": {}", "\"extra\": " + extra));
    CHECK(scene.extra_json == extra);
    CHECK(same(parse(scene_to_json(scene)), scene));
    CHECK(nlohmann::json::parse(scene.extra_json)["a"][2] == 18446744073709551615U);
    // Spaces and line breaks between the parts go, those inside strings stay.
    CHECK(parse(with("\"extra\": {}", "\"extra\": { \"a b\" : [ 1 ,\n 2 ] }")).extra_json ==
          "{\"a b\":[1,2]}");
}

TEST_CASE("Masks are read as outlines and written back", "[scene]") {
    const std::string masks =
        R"([{"kind": "leave out", "outline_px": [[1.25, 2], [300, 4e-7], [-5, 9000.5]]},
               {"kind": "keep", "outline_px": [[0, 0], [10, 0], [10, 10], [0, 10]]}])";
    const Scene scene = parse(with("\"masks\": []", "\"masks\": " + masks));
    REQUIRE(scene.frames[0].masks.size() == 2);
    const FrameMask& first = scene.frames[0].masks[0];
    CHECK(first.kind == FrameMask::Kind::leave_out);
    REQUIRE(first.outline_px.size() == 3);
    CHECK(first.outline_px[0].x == 1.25);
    CHECK(first.outline_px[1].y == 4e-7);
    CHECK(first.outline_px[2].x == -5);
    CHECK(first.outline_px[2].y == 9000.5);
    CHECK(scene.frames[0].masks[1].kind == FrameMask::Kind::keep);
    CHECK(scene.frames[0].masks[1].outline_px.size() == 4);
    const std::string text = scene_to_json(scene);
    CHECK(same(parse(text), scene));
    CHECK(text.find(with("9000.5", "9000.5", with("4e-7", "4e-07", masks))) != std::string::npos);
    // Negative controls: another kind and a point that moved by the least amount are seen.
    Scene other = scene;
    other.frames[0].masks[0].kind = FrameMask::Kind::keep;
    CHECK_FALSE(same(other, scene));
    other = scene;
    other.frames[0].masks[1].outline_px[2].y = std::nextafter(10.0, 11.0);
    CHECK_FALSE(same(other, scene));
    CHECK_FALSE(same(parse(scene_to_json(other)), scene));
}

TEST_CASE("Every mistake in masks is told with its place", "[scene]") {
    const auto problem = [](const std::string& masks) {
        return std::string(error_of(with("\"masks\": []", "\"masks\": " + masks)).what());
    };
    const auto outline = [](const std::string& points) {
        return R"([{"kind": "leave out", "outline_px": )" + points + "}]";
    };
    using Catch::Matchers::Contains;
    CHECK_THAT(problem("[7]"),
               Contains("frames[0].masks[0] (line 14): must be an object, but is a number"));
    CHECK_THAT(problem("[{}]"), Contains("frames[0].masks[0].kind (line 14): is missing"));
    CHECK_THAT(problem(R"([{"kind": "leave out"}])"),
               Contains("frames[0].masks[0].outline_px (line 14): is missing"));
    CHECK_THAT(problem(R"([{"kind": "cut", "outline_px": [[0, 0], [1, 0], [0, 1]]}])"),
               Contains("frames[0].masks[0].kind (line 14): is \"cut\", but must be \"leave out\" "
                        "or \"keep\""));
    CHECK_THAT(
        problem(R"([{"kind": "keep", "points": [], "outline_px": [[0, 0], [1, 0], [0, 1]]}])"),
        Contains("frames[0].masks[0].points (line 14): is an unknown key"));
    CHECK_THAT(problem(outline("[]")), Contains("has 0 points, but an outline needs at least 3"));
    CHECK_THAT(problem(outline("[[0, 0], [1, 1]]")),
               Contains("frames[0].masks[0].outline_px (line 14): has 2 points"));
    CHECK_THAT(
        problem(outline("[[0, 0], [1, 0], [0, 1], 5]")),
        Contains(
            "frames[0].masks[0].outline_px[3] (line 14): must be a point [x, y], but is a number"));
    CHECK_THAT(
        problem(outline("[[0, 0], [1, 0], [0, 1, 2]]")),
        Contains(
            "frames[0].masks[0].outline_px[2] (line 14): must be a point [x, y], but holds 3"));
    CHECK_THAT(problem(outline("[[0, 0], [1, NaN], [0, 1]]")),
               Contains("frames[0].masks[0].outline_px[1][1] (line 14): is not a finite number"));
    CHECK_THAT(problem(outline("[[0, 0], [1, 0], [1e999, 1]]")),
               Contains("frames[0].masks[0].outline_px[2][0] (line 14): is not a finite number"));
    CHECK_THAT(
        problem(outline("[[0, 0], [1, 0], [\"a\", 1]]")),
        Contains("frames[0].masks[0].outline_px[2][0] (line 14): must be a number, but is text"));
    CHECK_THAT(
        problem(outline("[[0, 0], [2e7, 0], [0, 1]]")),
        Contains("outline_px[1][0] (line 14): is 2e+07, but must be from -1e+07 to 1e+07 pixels"));
    // All of them at once, and the second mask under its own number.
    const Error both = error_of(with(
        "\"masks\": []",
        R"("masks": [{"kind": "keep", "outline_px": [[0, 0]]}, {"kind": "keep", "outline_px": 1}])"));
    CHECK(std::count(both.details().begin(), both.details().end(), '\n') <= 2);
    CHECK_THAT(both.details(), Contains("frames[0].masks[0].outline_px (line 14): has 1 point,"));
    CHECK_THAT(both.details(),
               Contains("frames[0].masks[1].outline_px (line 14): must be an array"));
}

TEST_CASE("Outlines of very many points are refused", "[scene]") {
    const auto masks_of = [](size_t outlines, size_t points) {
        std::string text = "\"masks\": [";
        for (size_t i = 0; i < outlines; ++i) {
            text += i == 0 ? "" : ", ";
            text += R"({"kind": "keep", "outline_px": [)";
            for (size_t k = 0; k < points; ++k) {
                text += (k == 0 ? "[" : ",[") + std::to_string(k % 977) + "," +
                        std::to_string(k % 1013) + "]";
            }
            text += "]}";
        }
        return with("\"masks\": []", text + "]");
    };
    using Catch::Matchers::Contains;
    CHECK(parse(masks_of(1, 20'000)).frames[0].masks[0].outline_px.size() == 20'000);
    CHECK_THAT(
        error_of(masks_of(1, 20'001)).what(),
        Contains(
            "frames[0].masks[0].outline_px (line 14): has 20001 points; a frame's outlines may "
            "have 20000 together"));
    CHECK(parse(masks_of(4, 5000)).frames[0].masks.size() == 4);
    CHECK_THAT(error_of(masks_of(5, 5000)).what(), Contains("frames[0].masks[4].outline_px"));
    CHECK_THAT(error_of(masks_of(1, 1'000'000)).what(), Contains("s.json: "));
}

TEST_CASE("Every wrong value is told with its place", "[scene]") {
    struct Case {
        const char *from, *to, *place, *what;
    };
    const Case cases[] = {
        // wrong kinds
        {"\"version\": 1", "\"version\": \"1\"", "version", "must be a number, but is text"},
        {"\"title\": \"\"", "\"title\": 3", "title", "must be text, but is a number"},
        {"\"extra\": {}", "\"extra\": []", "extra", "must be an object, but is an array"},
        {"5472", "\"wide\"", "cameras.main.width", "must be a number, but is text"},
        {"[2736.0, 1824.0]", "7", "cameras.main.principal_point_px", "must be an array"},
        {"[2736.0, 1824.0]", "[7]", "cameras.main.principal_point_px", "2 numbers, but holds 1"},
        {"[2736.0, 1824.0]", "[7, null]", "cameras.main.principal_point_px[1]", "but is null"},
        {"[1.0, 1.0, 1.0]", "[1, 1, 1, 1]", "frames[0].gain", "3 numbers, but holds 4"},
        {"-40.0", "null", "frames[0].yaw_deg", "but is null; correct it or leave the key out"},
        {"12.0", "true", "frames[0].pitch_deg", "but is true or false"},
        {"\"use\": \"yes\"", "\"use\": true", "frames[0].use", "must be text"},
        {"\"masks\": []", "\"masks\": {}", "frames[0].masks", "must be an array, but is an object"},
        {"\"masks\": []", "\"masks\": 4", "frames[0].masks", "must be an array, but is a number"},
        {"\"reason\": \"\"", "\"reason\": []", "frames[0].reason", "must be text"},
        // ranges
        {"\"version\": 1", "\"version\": 0", "version", "is 0"},
        {"5472", "0", "cameras.main.width", "from 1 to 1e+06 pixels"},
        {"3648", "1000001", "cameras.main.height", "is 1000001"},
        {"3648", "36.5", "cameras.main.height", "whole number"},
        {"15200.0", "0", "cameras.main.focal_px", "must be above 0"},
        {"15200.0", "-1", "cameras.main.focal_px", "must be above 0"},
        {"265.3", "0.0", "canvas.pixels_per_degree", "must be above 0"},
        {"\"top_deg\": 20", "\"top_deg\": 90.5", "canvas.top_deg", "from -90 to 90 degrees"},
        {"\"left_deg\": -60", "\"left_deg\": -4000", "canvas.left_deg", "is -4000"},
        {"\"row\": 0", "\"row\": -1", "frames[0].row", "is -1"},
        {"\"column\": 0", "\"column\": 0.5", "frames[0].column", "whole number"},
        {"\"row\": 0", "\"row\": 18446744073709551615", "frames[0].row", "must be from 0"},
        {"-40.0", "3600.5", "frames[0].yaw_deg", "from -3600 to 3600 degrees"},
        {"\"roll_deg\": 0.0", "\"orientation\": 9", "frames[0].orientation", "from 1 to 8"},
        {"\"roll_deg\": 0.0", "\"orientation\": 0", "frames[0].orientation", "from 1 to 8"},
        {"12.0", "-180.5", "frames[0].pitch_deg", "from -180 to 180 degrees"},
        {"\"roll_deg\": 0.0", "\"roll_deg\": 361", "frames[0].roll_deg", "is 361"},
        {"[1.0, 1.0, 1.0]", "[1, 0, 1]", "frames[0].gain[1]", "must be above 0"},
        {"[1.0, 1.0, 1.0]", "[1, 1, 64.5]", "frames[0].gain[2]", "at most 64"},
        // not finite
        {"-40.0", "1e999", "frames[0].yaw_deg", "not a finite number"},
        {"-40.0", "-1E99999", "frames[0].yaw_deg", "not a finite number"},
        {"-40.0", "NaN", "frames[0].yaw_deg", "not a finite number"},
        {"-40.0", "nan", "frames[0].yaw_deg", "not a finite number"},
        {"-40.0", "-Infinity", "frames[0].yaw_deg", "not a finite number"},
        {"[2736.0, 1824.0]", "[1e400, 5]", "cameras.main.principal_point_px[0]", "not a finite"},
        {"\"extra\": {}", "\"extra\": {\"a\": [1e999]}", "extra", "not finite"},
        {"\"masks\": []", "\"masks\": [inf]", "frames[0].masks[0]", "must be an object"},
        // words
        {"\"sphere\"", "\"plane\"", "canvas.surface", "must be \"sphere\" or \"cylinder\""},
        {"\"use\": \"yes\"", "\"use\": \"no\"", "frames[0].use", "must be \"yes\" or \"left out\""},
        {"\"matches\"", "\"foot\"", "frames[0].placed_by", "\"matches\", \"head\" or \"hand\""},
        {"\"camera\": \"main\"", "\"camera\": \"mian\"", "frames[0].camera", "mean \"main\"?"},
        {"\"camera\": \"main\"", "\"camera\": \"wide\"", "frames[0].camera", "\"cameras\" lacks"},
        {"\"frames/0001.jpg\"", "\"\"", "frames[0].file", "names no file"},
        {"\"frames/0001.jpg\"", "\"a\\u0000b\"", "frames[0].file", "names no file"},
        // unknown
        {"\"title\"", "\"titel\"", "titel", "unknown key; did you mean \"title\"?"},
        {"\"radial\"", "\"k\"", "cameras.main.k", "unknown key; delete it"},
        {"\"top_deg\"", "\"Top\"", "canvas.Top", "did you mean \"top_deg\"?"},
        {"\"roll_deg\"", "\"roll\"", "frames[0].roll", "did you mean \"roll_deg\"?"},
        {"\"roll_deg\"", "\"a\\nb\"", "frames[0][\"a\\x0Ab\"]", "unknown key"},
        // missing
        {"\"format\": \"broadloom-scene\", ", "", "format", "is missing; add it"},
        {", \"version\": 1", "", "version", "is missing"},
        {"\"width\": 5472, ", "", "cameras.main.width", "is missing"},
        {"\"height\": 3648, ", "", "cameras.main.height", "is missing"},
        {"\"focal_px\": 15200.0,", "", "cameras.main.focal_px", "is missing"},
        {"\"file\": \"frames/0001.jpg\", ", "", "frames[0].file", "is missing"},
        {", \"camera\": \"main\"", "", "frames[0].camera", "is missing"},
        // twice
        {"\"row\": 0", "\"row\": 0, \"row\": 0", "frames[0].row", "stands here again, first at"},
        {"5472", "5472, \"width\": 5472", "cameras.main.width", "stands here again"},
        {"\"title\": \"\"", "\"title\": \"\", \"title\": \"\"", "title", "keep one of them"},
        {"\"extra\": {}", "\"extra\": {}, \"extra\": {}", "extra", "stands here again"},
    };
    for (const Case& c : cases) {
        INFO(c.from << " -> " << c.to);
        check_only(with(c.from, c.to), c.place, c.what);
    }
}

TEST_CASE("Wrong cameras and frames as a whole are told", "[scene]") {
    const std::string cameras =
        R"("cameras": {"main": {"width": 100, "height": 80, "focal_px": 90}},)";
    const std::string frames = R"(,
"frames": [{"file": "a.jpg", "camera": "main"}])";
    check_only(with(cameras, "", kLeast), "cameras", "is missing");
    check_only(with(cameras, "\"cameras\": {},", kLeast), "cameras", "holds no camera");
    check_only(with(cameras, "\"cameras\": {\"main\": 3},", kLeast), "cameras.main",
               "but is a number");
    check_only(with(frames, "", kLeast), "frames", "is missing");
    check_only(with(frames, ",\"frames\": {}", kLeast), "frames", "must be an array");
    check_only(with(frames, ",\"frames\": [7]", kLeast), "frames[0]", "but is a number");
    std::string many;
    for (int i = 0; i <= 100'000; ++i) {
        many += i == 0 ? "{}" : ",{}";
    }
    check_only(with(frames, ",\"frames\": [" + many + "]", kLeast), "frames",
               "holds 100001 frames, but at most 100000");
}

TEST_CASE("Rendering needs orientations, a fresh scene does not", "[scene]") {
    const auto needs = SceneNeeds::orientations;
    CHECK_NOTHROW(parse(kLeast));
    const Error both = error_of(kLeast, needs);
    CHECK(lines(both) == 2);
    CHECK(both.details().find("frames[0].yaw_deg (line 3): is missing, and the frame is used") !=
          std::string::npos);
    CHECK(both.details().find("frames[0].pitch_deg (line 3)") != std::string::npos);
    check_only(with("\"pitch_deg\": 12.0, ", ""), "frames[0].pitch_deg", "left out", needs);
    check_only(with("\"use\": \"yes\"", "\"use\": \"left out\""), "frames", "left out", needs);
    check_only(with("[{\"file\": \"a.jpg\", \"camera\": \"main\"}]", "[]", kLeast), "frames",
               "holds no frame", needs);
    // A frame that is left out needs none.
    const std::string one_out =
        with("\"masks\": []}",
             "\"masks\": []}, {\"file\": \"b\", \"camera\": \"main\", \"use\": \"left out\"}");
    CHECK(parse(one_out, needs).frames.size() == 2);
    check_only(with("-40.0", "\"x\""), "frames[0].yaw_deg", "must be a number", needs);
}

TEST_CASE("All problems are told at once, in the order of the text", "[scene]") {
    std::string text = with("\"title\"", "\"titel\"");
    text = with("15200.0", "1e999", text);
    text = with("265.3", "-1", text);
    text = with("\"row\": 0", "\"row\": 0, \"row\": 1", text);
    text = with("-40.0", "NaN", text);
    text = with("[1.0, 1.0, 1.0]", "[0, 1, 99]", text);
    text = with("\"placed_by\": \"matches\"", "\"placed_by\": \"\"", text);
    const Error error = error_of(text);
    INFO(error.details());
    CHECK(lines(error) == 8);
    CHECK(std::string(error.what()) ==
          "s.json: titel (line 3): is an unknown key; did you mean \"title\"? (the first of 8 "
          "problems)");
    size_t at = 0;
    for (const char* place :
         {"titel (line 3)", "cameras.main.focal_px (line 5)", "canvas.pixels_per_degree (line 10)",
          "frames[0].row (line 12)", "frames[0].yaw_deg (line 13)", "frames[0].gain[0] (line 13)",
          "frames[0].gain[2] (line 13)", "frames[0].placed_by (line 14)"}) {
        INFO(place);
        const size_t found = error.details().find(place, at);
        REQUIRE(found != std::string::npos);
        at = found;
    }
}

TEST_CASE("A hopeless file does not flood the terminal", "[scene]") {
    std::string frames;
    for (int i = 0; i < 5000; ++i) {
        frames += i == 0 ? "{}" : ",{}";
    }
    const Error error = error_of(with(R"({"file": "a.jpg", "camera": "main"})", frames, kLeast));
    CHECK(lines(error) == 1001);
    CHECK(error.details().find("and 9000 more") != std::string::npos);
    CHECK(std::string(error.what()).find("the first of 10000 problems") != std::string::npos);
}

TEST_CASE("Another format or a newer version is told alone", "[scene]") {
    check_only(with("\"version\": 1", "\"version\": 2, \"new_key\": 0"), "version", "newer than 1");
    check_only(with("\"broadloom-scene\"", "\"album\", \"new_key\": 0"), "format",
               "is \"album\", but a scene's is \"broadloom-scene\"");
    CHECK(std::string(error_of("[1, 2]").what()).find("must be a JSON object, but is an array") !=
          std::string::npos);
    CHECK(std::string(error_of("7").what()).find("but is a number") != std::string::npos);
}

TEST_CASE("Broken JSON is told with line and column", "[scene]") {
    const auto message = [](const std::string& text) { return std::string(error_of(text).what()); };
    const auto has = [&](const std::string& text, const std::string& part) {
        INFO(message(text));
        CHECK(message(text).find(part) != std::string::npos);
    };
    has(with("\"version\": 1", "\"version\" 1"), "not valid JSON at line 2, column 43");
    has("{\n  \"ü\": x}", "line 2, column 8");  // columns count characters
    has(kExample.substr(0, kExample.size() / 2), "not valid JSON at line");
    has(kExample + "}", "not valid JSON at line 17, column 1");
    has(with("\"masks\": []", "\"masks\": [],"), "not valid JSON at line 14");
    has(with("\"extra\": {}", "\"extra\": {\"a\": 01}"), "not valid JSON at line 3");
    has("// a comment\n" + kExample, "line 1, column 1");
    has("", "is empty");
    has(" \n\t", "is empty");
    has(with("\"title\": \"\"", "\"title\": \"caf\xE9\""),
        "not UTF-8 text at line 3, column 16 (byte \\xE9)");
    has(std::string("\xFF\xFE{\0}\0", 6), "not UTF-8 text at line 1, column 1");
    has(kExample + std::string(1, '\0'), "not UTF-8 text at line 17");
    has(with("\"title\": \"\"", "\"title\": \"\\ud800\""), "not valid JSON at line 3");
    has(std::string(std::size_t{65} << 20U, ' '), "larger than 64.0 MiB");
}

TEST_CASE("Deep nesting is refused, moderate nesting is kept", "[scene]") {
    const auto nested = [](size_t depth) {
        return with("\"extra\": {}", "\"extra\": {\"a\": " + std::string(depth, '[') +
                                         std::string(depth, ']') + "}");
    };
    CHECK_NOTHROW(parse(nested(62)));  // 62 inside the scene and extra make 64
    CHECK(std::string(error_of(nested(63)).what()).find("nested deeper than 64 levels at line 3") !=
          std::string::npos);
    CHECK_THROWS_AS(parse(std::string(10'000'000, '[')), Error);
    std::string objects;
    for (int i = 0; i < 100'000; ++i) {
        objects += "{\"a\":";
    }
    CHECK_THROWS_AS(parse(objects), Error);
    CHECK(std::string(error_of("[" + std::string(60'000'000, '1')).what()).size() < 1000);
}

TEST_CASE("Too many values are refused before they fill the memory", "[scene]") {
    std::string ones = "[1";
    for (int i = 0; i < 3'000'000; ++i) {
        ones += ",1";
    }
    CHECK(std::string(error_of(with("7", ones + "]", R"({"title": 7})")).what())
              .find("more than 3000000 values") != std::string::npos);
}

TEST_CASE("Names in messages are printable", "[scene]") {
    try {
        parse_scene("{", "a\nb\x1B.json", SceneNeeds::anything);
        FAIL("accepted");
    } catch (const Error& error) {
        CHECK(std::string(error.what()).rfind("a\\x0Ab\\x1B.json: ", 0) == 0);
    }
}

TEST_CASE("Mutated scenes are read or refused, nothing else", "[scene][property]") {
    std::mt19937 random(20);
    const std::string base =
        with("\"extra\": {}", "\"extra\": {\"a\": [1.5, -2e10, \"ü\", null, {\"b\": true}]}");
    int accepted = 0, refused = 0;
    for (int i = 0; i < 8000; ++i) {
        std::string text = base;
        const int edits = 1 + static_cast<int>(random() % 3);
        for (int e = 0; e < edits && !text.empty(); ++e) {
            const size_t at = random() % text.size();
            switch (random() % 5) {
                case 0:
                    text[at] = static_cast<char>(random());
                    break;
                case 1:
                    text[at] = "{}[],:\"0123456789.eE+- ntfNI\\"[random() % 29];
                    break;
                case 2:
                    text.resize(at);
                    break;
                case 3:
                    text.erase(at, 1 + random() % 8);
                    break;
                default:
                    text.insert(at, text.substr(random() % text.size(), random() % 40));
            }
        }
        try {
            const Scene scene = parse(text, SceneNeeds::orientations);
            ++accepted;
            REQUIRE(same(parse(scene_to_json(scene), SceneNeeds::orientations), scene));
        } catch (const Error& error) {
            ++refused;
            REQUIRE(error.code() == ErrorCode::input);
            REQUIRE_FALSE(error.details().empty());
        }
    }
    // Both ends of the property were exercised.
    CHECK(accepted > 100);
    CHECK(refused > 1000);
}

TEST_CASE("Random scenes survive writing and reading to the bit", "[scene][property]") {
    std::mt19937_64 random(7);
    const auto chance = [&](int percent) { return static_cast<int>(random() % 100) < percent; };
    // Within +-limit; every exponent, so denormals and values without short decimals too.
    const auto awkward = [&](double limit) {
        while (true) {
            const auto value = std::bit_cast<double>(static_cast<uint64_t>(random()));
            if (std::isfinite(value)) {
                return std::abs(value) <= limit ? value : std::fmod(value, limit);
            }
        }
    };
    const auto positive = [&](double limit) {
        const double value = std::abs(awkward(limit));
        return value > 0 ? value : std::numeric_limits<double>::denorm_min();
    };
    const auto word = [&] {
        constexpr std::array<const char*, 8> kParts{"a", "ü", "\n", "\"", "\\", "日", "\x01", " "};
        std::string text = "w";
        for (auto n = random() % 6; n > 0; --n) {
            text += kParts[random() % kParts.size()];
        }
        return text;
    };
    const auto maybe = [&](double limit) {
        return chance(60) ? std::optional(awkward(limit)) : std::nullopt;
    };
    for (int i = 0; i < 300; ++i) {
        Scene scene;
        scene.title = word();
        scene.credit = word();
        scene.rights = word();
        scene.extra_json = chance(50) ? R"({"n":[9007199254740993,1e-320,"\u0001"]})" : "{}";
        std::vector<std::string> names;
        for (auto n = 1 + random() % 3; n > 0; --n) {
            names.push_back(word());
            Camera& camera = scene.cameras[names.back()];
            camera.width = 1 + static_cast<int64_t>(random() % 1'000'000);
            camera.height = 1 + static_cast<int64_t>(random() % 1'000'000);
            camera.focal_px = positive(1e9);
            if (chance(50)) {
                camera.principal_point_px = Vec2{awkward(1e9), awkward(1e9)};
            }
            camera.radial = {awkward(1), awkward(1), -0.0};
            camera.tangential = {awkward(1), 5e-324};
            camera.vignetting = {awkward(1), 0.1 + 0.2, 1.0 / 3};
        }
        scene.canvas.surface = chance(50) ? Surface::cylinder : Surface::sphere;
        scene.canvas.left_deg = maybe(3600);
        scene.canvas.right_deg = maybe(3600);
        scene.canvas.top_deg = maybe(90);
        scene.canvas.bottom_deg = maybe(90);
        scene.canvas.pixels_per_degree = chance(50) ? std::optional(positive(1e9)) : std::nullopt;
        for (auto n = random() % 5; n > 0; --n) {
            Frame& frame = scene.frames.emplace_back();
            frame.file = word();
            frame.camera = names[random() % names.size()];
            if (chance(50)) {
                frame.row = static_cast<int64_t>(random() % 1'000'001);
            }
            if (chance(50)) {
                frame.column = static_cast<int64_t>(random() % 1'000'001);
            }
            if (chance(50)) frame.orientation = 1 + static_cast<int64_t>(random() % 8);
            frame.yaw_deg = maybe(3600);
            frame.pitch_deg = maybe(180);
            frame.roll_deg = chance(50) ? awkward(360) : -0.0;
            frame.gain = {positive(64), positive(64), std::nextafter(1.0, 2.0)};
            frame.use = chance(50);
            frame.reason = chance(50) ? word() : "";
            frame.placed_by = std::array{"", "matches", "head", "hand"}[random() % 4];
            for (auto masks = random() % 3; masks > 0; --masks) {
                FrameMask& mask = frame.masks.emplace_back();
                mask.kind = chance(50) ? FrameMask::Kind::keep : FrameMask::Kind::leave_out;
                for (auto points = 3 + random() % 5; points > 0; --points) {
                    mask.outline_px.push_back({awkward(1e7), chance(20) ? -0.0 : awkward(1e7)});
                }
            }
        }
        const std::string text = scene_to_json(scene);
        const Scene back = parse(text);
        INFO(text);
        REQUIRE(same(back, scene));
        REQUIRE(scene_to_json(back) == text);
        // Negative control: the smallest change of one number is seen.
        Scene changed = back;
        double& focal = changed.cameras.begin()->second.focal_px;
        focal = std::nextafter(focal, 0.0);
        REQUIRE_FALSE(same(changed, scene));
    }
}

TEST_CASE("The written form is the documented one", "[scene]") {
    const std::string text = scene_to_json(parse(kExample));
    CHECK(text == R"({
  "format": "broadloom-scene", "version": 1,
  "title": "", "credit": "", "rights": "",
  "extra": {},
  "cameras": {
    "main": {"width": 5472, "height": 3648, "focal_px": 15200,
             "principal_point_px": [2736, 1824],
             "radial": [0, 0, 0], "tangential": [0, 0], "vignetting": [0, 0, 0]}
  },
  "canvas": {"surface": "sphere", "left_deg": -60, "right_deg": 60, "top_deg": 20, "bottom_deg": -25,
             "pixels_per_degree": 265.3},
  "frames": [
    {"file": "frames/0001.jpg", "row": 0, "column": 0, "camera": "main",
     "yaw_deg": -40, "pitch_deg": 12, "roll_deg": 0, "gain": [1, 1, 1], "use": "yes", "placed_by": "matches"}
  ]
}
)");
    CHECK(nlohmann::json::parse(text)["frames"][0]["yaw_deg"] == -40);
}

TEST_CASE("What a scene file cannot hold is not written", "[scene]") {
    const auto code_of = [](const Scene& scene) {
        try {
            static_cast<void>(scene_to_json(scene));
        } catch (const Error& error) {
            return static_cast<int>(error.code());
        }
        return 0;
    };
    const Scene good = parse(kExample);
    CHECK(code_of(good) == 0);
    Scene scene = good;
    scene.frames[0].file = "caf\xE9.jpg";
    CHECK(code_of(scene) == 3);
    scene = good;
    scene.frames[0].yaw_deg = std::numeric_limits<double>::quiet_NaN();
    CHECK(code_of(scene) == 1);
    for (const char* bad : {"", "[", "[]", "{} {}", "{\"a\":1e999}"}) {
        scene = good;
        scene.extra_json = bad;
        CHECK(code_of(scene) == 1);
    }
}

TEST_CASE("Scenes are read from and written to files", "[scene]") {
    std::string pattern = (fs::temp_directory_path() / "broadloom-test-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    const fs::path folder = pattern;
    const fs::path file = folder / "scene.json";
    const Scene scene = parse(kExample);
    write_scene(scene, file);
    const Scene back = read_scene(file, SceneNeeds::orientations);
    CHECK(same(back, scene));
    CHECK(std::distance(fs::directory_iterator(folder), fs::directory_iterator()) == 1);

    CHECK(back.path_of(back.frames[0]) == folder / "frames/0001.jpg");
    Frame elsewhere;
    elsewhere.file = "/other/0002.jpg";
    CHECK(back.path_of(elsewhere) == "/other/0002.jpg");
    CHECK(scene.path_of(scene.frames[0]) == "frames/0001.jpg");

    // A scene that cannot be written leaves the old file.
    Scene bad = scene;
    bad.frames[0].roll_deg = std::numeric_limits<double>::infinity();
    CHECK_THROWS_AS(write_scene(bad, file), Error);
    CHECK(same(read_scene(file, SceneNeeds::anything), scene));

    const auto code_of = [](const fs::path& path) {
        try {
            static_cast<void>(read_scene(path, SceneNeeds::anything));
        } catch (const Error& error) {
            CHECK(std::string(error.what()).find(path.filename().string()) != std::string::npos);
            return static_cast<int>(error.code());
        }
        return 0;
    };
    CHECK(code_of(file) == 0);
    CHECK(code_of(folder / "none.json") == 3);
    CHECK(code_of(folder) == 3);
    std::ofstream(folder / "empty.json").flush();
    CHECK(code_of(folder / "empty.json") == 3);
    std::ofstream(folder / "large.json").flush();
    fs::resize_file(folder / "large.json", (std::uintmax_t{64} << 20U) + 1);
    CHECK(code_of(folder / "large.json") == 3);
    fs::remove_all(folder);
}
