// The file that the page's seam view reads, as the whole program writes it.
#include <catch2/catch.hpp>
#include <fstream>
#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "support/close_to.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;

namespace {

std::string file_text(const std::filesystem::path& path) {
    std::ifstream file(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(file), std::istreambuf_iterator<char>()};
}

nlohmann::json seams_of(const std::filesystem::path& out) {
    const std::string script = file_text(out / "seams.js");
    const size_t start = script.find('(');
    const size_t end = script.rfind(')');
    REQUIRE(start != std::string::npos);
    return nlohmann::json::parse(script.substr(start + 1, end - start - 1));
}

/// The different labels of all runs, each plus one, as the file counts them.
std::set<int> labels_of(const nlohmann::json& seams) {
    const std::string runs = seams["runs"];
    std::set<int> found;
    size_t at = 0;
    for (size_t i = 0; i < runs.size(); ++i) {
        if (runs[i] == '.') found.insert(std::stoi(runs.substr(at, i - at), nullptr, 36));
        if (runs[i] == ' ' || runs[i] == ';') at = i + 1;
    }
    return found;
}

}  // namespace

TEST_CASE("Seams stand beside the page when asked for, for either kind", "[seams]") {
    SmallScene scene;
    scene.json["frames"][1]["use"] = "left out";
    scene.json["frames"][1]["reason"] = "blurred";
    for (const std::string kind : {"fine", "simple"}) {
        const ProcessResult r = scene.render({"--show-seams", "--seams", kind}, kind);
        INFO(r.err);
        REQUIRE(r.status == 0);
        const nlohmann::json seams = seams_of(scene.out(kind));
        REQUIRE(seams["frames"].size() == 5);
        CHECK(seams["frames"][0]["index"] == 0);
        CHECK(seams["frames"][1]["index"] == 2);
        CHECK(seams["frames"][1]["file"] == scene.json["frames"][2]["file"]);
        // Every used frame has a part; the one left out leaves a gap.
        CHECK(labels_of(seams) == std::set<int>{0, 1, 2, 3, 4, 5});
        const nlohmann::json report =
            nlohmann::json::parse(file_text(scene.out(kind) / "report.json"));
        CHECK(seams["columns"].get<double>() * seams["cell_width"].get<double>() >=
              report["width"].get<double>() - 1e-6);
        CHECK(file_text(scene.out(kind) / "index.html").find("\"seams\":true") !=
              std::string::npos);
        // A finished result is known again.
        CHECK(scene.render({"--show-seams", "--seams", kind}, kind).status == 0);
    }
    CHECK(file_text(scene.out("fine") / "seams.js") != file_text(scene.out("simple") / "seams.js"));
    REQUIRE(scene.render({}, "without").status == 0);
    CHECK(!std::filesystem::exists(scene.out("without") / "seams.js"));
    CHECK(file_text(scene.out("without") / "index.html").find("\"seams\":false") !=
          std::string::npos);
}

TEST_CASE("The seams' file does not depend on threads", "[seams]") {
    const SmallScene scene;
    REQUIRE(scene.render({"--show-seams", "--threads", "1"}, "one").status == 0);
    REQUIRE(scene.render({"--show-seams", "--threads", "2"}, "two").status == 0);
    REQUIRE(scene.render({"--show-seams", "--scale", "0.5"}, "half").status == 0);
    const std::string one = file_text(scene.out("one") / "seams.js");
    CHECK(one.size() > 1000);
    CHECK(one == file_text(scene.out("two") / "seams.js"));
    // The same labels for a smaller picture, on cells half as large.
    const nlohmann::json whole = seams_of(scene.out("one"));
    const nlohmann::json half = seams_of(scene.out("half"));
    CHECK(half["runs"] == whole["runs"]);
    CHECK(half["cell_width"].get<double>() ==
          broadloom::testing::close_to(whole["cell_width"].get<double>() / 2));
}
