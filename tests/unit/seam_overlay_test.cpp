#include "io/seam_overlay.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <vector>

#include "broadloom/error.hpp"

using namespace broadloom;

namespace {

/// A grid of patches with ragged edges.
std::vector<int16_t> ragged(int64_t columns, int64_t rows, int frames) {
    std::vector<int16_t> labels;
    std::mt19937 random(5);
    for (int64_t y = 0; y < rows; ++y) {
        for (int64_t x = 0; x < columns; ++x) {
            const int64_t off = static_cast<int64_t>(random() % 3);
            const int64_t patch = (x + off) * frames / (columns + 3);
            labels.push_back(static_cast<int16_t>(y < 2 ? -1 : patch));
        }
    }
    return labels;
}

SeamOverlay overlay_of(const std::vector<int16_t>& labels, int64_t columns, int frames) {
    SeamOverlay o;
    o.columns = columns;
    o.rows = static_cast<int64_t>(labels.size()) / columns;
    o.left = -3.5;
    o.cell_width = o.cell_height = 8;
    o.labels = labels;
    for (int i = 0; i < frames; ++i) {
        SeamFrame f;
        f.file = "frames/" + std::to_string(i) + ".jpg";
        f.index = 2 * i;
        f.width = 600;
        f.height = 400;
        f.focal_px = 512.25;
        f.fold_radius = std::numeric_limits<double>::infinity();
        o.frames.push_back(f);
    }
    return o;
}

/// The argument of the script's one call.
nlohmann::json argument(const std::string& script) {
    const size_t start = script.find("broadloom_seams(");
    REQUIRE(start != std::string::npos);
    const size_t end = script.rfind(");\n");
    REQUIRE(end == script.size() - 3);
    return nlohmann::json::parse(script.substr(start + 16, end - start - 16));
}

/// The labels of a script, by the rule that the header of the writer states.
std::vector<int16_t> labels_of(const nlohmann::json& data) {
    const std::string runs = data["runs"];
    const auto columns = data["columns"].get<size_t>();
    std::vector<int16_t> labels;
    size_t at = 0;
    while (at < runs.size()) {
        const size_t end = runs.find(';', at);
        if (end == at) {
            const std::vector<int16_t> above(labels.end() - static_cast<ptrdiff_t>(columns),
                                             labels.end());
            labels.insert(labels.end(), above.begin(), above.end());
        }
        while (at < end) {
            size_t used = 0;
            const int label = std::stoi(runs.substr(at), &used, 36) - 1;
            at += used + 1;
            const int length = std::stoi(runs.substr(at), &used, 36);
            at += used + (runs[at + used] == ' ' ? 1 : 0);
            labels.insert(labels.end(), static_cast<size_t>(length), static_cast<int16_t>(label));
        }
        at = end + 1;
    }
    return labels;
}

}  // namespace

TEST_CASE("Labels come back from the script as they went in", "[seams]") {
    for (const int64_t columns : {1, 37, 300}) {
        std::vector<int16_t> labels = ragged(columns, 40, 5);
        // Rows that repeat, and one that a changed label tells from its neighbours.
        for (size_t i = 0; i < static_cast<size_t>(4 * columns); ++i) {
            labels[static_cast<size_t>(20 * columns) + i] = 3;
        }
        const nlohmann::json data = argument(seam_script(overlay_of(labels, columns, 5)));
        CHECK(data["thinned"] == 1);
        CHECK(data["columns"] == columns);
        CHECK(data["rows"] == 40);
        CHECK(labels_of(data) == labels);
        labels[static_cast<size_t>(22 * columns)] = 4;
        CHECK(labels_of(data) != labels);
    }
}

TEST_CASE("Too many labels are thinned until the script is small, and it says so", "[seams]") {
    const int64_t columns = 301;
    const std::vector<int16_t> labels = ragged(columns, 200, 7);
    const SeamOverlay overlay = overlay_of(labels, columns, 7);
    const nlohmann::json whole = argument(seam_script(overlay));
    SeamScriptLimits limits;
    limits.most_cells = 20000;
    nlohmann::json data = argument(seam_script(overlay, limits));
    CHECK(data["thinned"] == 2);
    CHECK(data["columns"] == 151);
    CHECK(data["rows"] == 100);
    CHECK(data["cell_width"] == 16);
    CHECK(data["left"] == whole["left"]);
    const std::vector<int16_t> thin = labels_of(data);
    REQUIRE(thin.size() == 15100);
    // Each label is one of the four that it stands for.
    size_t strange = 0;
    for (size_t y = 0; y < 100; ++y) {
        for (size_t x = 0; x < 151; ++x) {
            bool among = false;
            for (size_t k = 0; k < 4; ++k) {
                const size_t from_x = std::min<size_t>(2 * x + k % 2, 300);
                among = among || labels[(2 * y + k / 2) * 301 + from_x] == thin[y * 151 + x];
            }
            strange += among ? 0 : 1;
        }
    }
    CHECK(strange == 0);

    limits = {};
    limits.most_label_bytes = 1500;
    data = argument(seam_script(overlay, limits));
    CHECK(data["thinned"].get<int>() > 2);
    CHECK(data["runs"].get<std::string>().size() <= 1500);
    CHECK(whole["runs"].get<std::string>().size() > 1500);
}

TEST_CASE("Hundreds of frames and millions of labels make a script of a few megabytes", "[seams]") {
    const int64_t columns = 2000;
    const std::vector<int16_t> labels = ragged(columns, 1000, 300);
    const std::string script = seam_script(overlay_of(labels, columns, 300));
    CHECK(script.size() < size_t{5} << 20);
}

TEST_CASE("Frames carry their cameras and the places in the scene", "[seams]") {
    const std::vector<int16_t> labels{0, 1, -1, 1};
    SeamOverlay overlay = overlay_of(labels, 2, 2);
    SeamFrame& f = overlay.frames[1];
    f.row = 3;
    f.column = 0;
    f.radial = {-0.1, 0.02, 0.001};
    f.tangential = {0.0003, -0.0004};
    f.fold_radius = 1.75;
    f.rotation = {1, 0, 0, 0, 0.6, -0.8, 0, 0.8, 0.6};
    f.shift_columns = f.shift_rows = 4;
    f.shift_x.assign(16, 1.25F);
    f.shift_y.assign(16, -0.126F);
    const nlohmann::json data = argument(seam_script(overlay));
    const nlohmann::json& first = data["frames"][0];
    const nlohmann::json& second = data["frames"][1];
    CHECK(first["index"] == 0);
    CHECK(second["index"] == 2);
    CHECK(!first.contains("row"));
    CHECK(second["row"] == 3);
    CHECK(second["column"] == 0);
    CHECK(!first.contains("fold"));  // none: the lens never folds
    CHECK(second["fold"] == 1.75);
    CHECK(second["focal"] == 512.25);
    CHECK(second["radial"] == nlohmann::json({-0.1, 0.02, 0.001}));
    CHECK(second["tangential"] == nlohmann::json({0.0003, -0.0004}));
    CHECK(second["rotation"][5] == -0.8);
    CHECK(!first.contains("shift"));
    CHECK(second["shift"]["x"].size() == 16);
    CHECK(second["shift"]["y"][3] == -0.13);
}

TEST_CASE("Names from outside cannot end the script or run in it", "[seams]") {
    const std::vector<int16_t> labels{0};
    SeamOverlay overlay = overlay_of(labels, 1, 1);
    const std::string bad = "</script>\"});alert(1);({\"\xE2\x80\xA8\xE2\x80\xA9<!--\\\n\x01";
    overlay.frames[0].file = bad + "\xFF";
    const std::string script = seam_script(overlay);
    CHECK(argument(script)["frames"][0]["file"] == bad + "\xEF\xBF\xBD");
    for (const char* part : {"<", ">", "\xE2\x80\xA8", "\xE2\x80\xA9", "\x01"}) {
        CHECK(script.find(part) == std::string::npos);
    }
    CHECK(bad.find('<') != std::string::npos);
}

TEST_CASE("What cannot be shown is our own fault", "[seams]") {
    const std::vector<int16_t> labels{0, 1, -1, 1};
    const SeamOverlay good = overlay_of(labels, 2, 2);
    CHECK_NOTHROW(seam_script(good));
    SeamOverlay bad = good;
    bad.rows = 3;
    CHECK_THROWS_AS(seam_script(bad), Error);
    bad = good;
    bad.frames.pop_back();
    CHECK_THROWS_AS(seam_script(bad), Error);
    bad = good;
    bad.cell_width = 0;
    CHECK_THROWS_AS(seam_script(bad), Error);
    bad = good;
    bad.frames[0].focal_px = std::numeric_limits<double>::quiet_NaN();
    CHECK_THROWS_AS(seam_script(bad), Error);
    bad = good;
    bad.frames[0].shift_columns = 5;
    CHECK_THROWS_AS(seam_script(bad), Error);
}
