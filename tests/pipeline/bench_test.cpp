// scripts/bench.sh in its short version: every section has its rows and every row its figures. How
// large they are does not matter here.
#include <catch2/catch.hpp>
#include <cstdlib>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "support/process.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;
using Json = nlohmann::json;

namespace {

const std::vector<std::string> kRowFigures{
    "megapixels", "wall_seconds",      "cpu_seconds",       "ratio_to_floor",
    "frames",     "decodes_per_frame", "peak_memory_bytes", "megapixels_per_second"};
const std::vector<std::string> kStages{"settle", "plan",   "decode", "warp", "blend",
                                       "shrink", "encode", "write",  "wait", "rest"};

/// What is missing, a line each.
class Missing {
  public:
    void figure(const Json& j, const std::string& key, const std::string& where) {
        if (!j.contains(key) || !j[key].is_number() || j[key].get<double>() <= 0)
            add(where + ": " + key);
    }
    void rows(const Json& all, const std::string& section, size_t count) {
        const Json none;
        const Json& rows =
            all.contains(section) && all[section].contains("rows") ? all[section]["rows"] : none;
        if (rows.size() != count)
            add(section + ": " + std::to_string(rows.size()) + " rows, not " +
                std::to_string(count));
        for (const Json& row : rows) {
            const std::string where = section + ", " + row.value("name", "?");
            for (const std::string& key : kRowFigures) figure(row, key, where);
            const Json& floor = row.contains("floor") ? row["floor"] : none;
            for (const char* key : {"seconds", "decode_seconds", "encode_seconds", "tiles"})
                figure(floor, key, where + ", floor");
            for (const std::string& stage : kStages) {
                if (!row.contains("stage_shares") || !row["stage_shares"].contains(stage))
                    add(where + ": share of " + stage);
            }
        }
    }
    void add(const std::string& what) { text += what + "\n"; }
    std::string text;
};

std::string missing_in(const Json& all) {
    Missing m;
    const size_t threads =
        all.contains("machine") && all["machine"].value("processors", 0) > 2 ? 3 : 2;
    m.rows(all, "main", 9);
    m.rows(all, "threads", 2 * threads);
    m.rows(all, "budget", 8);
    m.rows(all, "canvas", 7);
    m.rows(all, "frames", 3);
    m.rows(all, "chain", 2);
    const Json none;
    const auto part = [&](const char* section, const char* key) -> const Json& {
        return all.contains(section) && all[section].contains(key) ? all[section][key] : none;
    };
    for (const char* key : {"same_density", "same_frames_scaled"})
        m.figure(part("canvas", "largest_against_smaller_per_megapixel"), key, "canvas");
    for (const char* key : {"seconds", "map_seconds", "decode_seconds", "remap_seconds",
                            "blend_seconds", "tiles_seconds", "tiff_seconds", "peak_memory_bytes"})
        m.figure(part("chain", "chain"), key, "chain");
    for (const char* key : {"fine_seams", "simple_seams"})
        m.figure(part("chain", "times_as_fast"), key, "chain");
    for (const char* key :
         {"megapixels_per_second", "opencv_megapixels_per_second", "times_as_fast"})
        m.figure(part("chain", "blend"), key, "blend");
    if (part("pyramid", "rows").size() != 8) m.add("pyramid: rows");
    for (const Json& row : part("pyramid", "rows")) {
        for (const char* key : {"seconds", "megapixels_per_second", "peak_memory_bytes"})
            m.figure(row, key, "pyramid");
    }
    for (const char* key : {"times_as_fast", "both_against_tiles", "memory_wide_against_narrow"})
        m.figure(all.value("pyramid", none), key, "pyramid");
    return m.text;
}

}  // namespace

TEST_CASE("the short benchmark tells every figure", "[bench]") {
    const broadloom::testing::ScratchFolder folder;
    const auto r = test::run_process(
        {"/usr/bin/env", "BENCH_BUILT=yes", "BENCH_FOLDER=" + folder.path().string(),
         "BROADLOOM_BUILD=" BROADLOOM_BUILD_FOLDER,
         std::string(BROADLOOM_SOURCE_DIR) + "/scripts/bench.sh", "--small"});
    INFO(r.err);
    INFO(r.out);
    REQUIRE(r.status == 0);
    std::ifstream in(folder.path() / "results-small" / "bench.json");
    const Json all = Json::parse(in, nullptr, false);
    REQUIRE(all.is_object());
    CHECK(missing_in(all).empty());
    INFO(missing_in(all));
    // Two blenders of the same data: a picture is there, and it is the same one.
    CHECK(all["chain"]["blend"]["agreement_db"].get<double>() > 40);

    // What is taken away is missed.
    Json less = all;
    less["budget"]["rows"].erase(2);
    CHECK(missing_in(less) == "budget: 7 rows, not 8\n");
    less = all;
    less["main"]["rows"][0].erase("peak_memory_bytes");
    CHECK(missing_in(less) == "main, full: peak_memory_bytes\n");
    less = all;
    less["pyramid"].erase("times_as_fast");
    CHECK(missing_in(less) == "pyramid: times_as_fast\n");
}
