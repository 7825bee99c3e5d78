// broadloom verify, and render --resume on a finished result, from the command line.
#include <algorithm>
#include <catch2/catch.hpp>

#include "support/expect_failure.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;
namespace fs = std::filesystem;

namespace {

ProcessResult check(const fs::path& folder, std::vector<std::string> more = {}) {
    more.insert(more.begin(), {program(), "verify", folder.native()});
    return run_process(more);
}

size_t lines_with(const std::string& text, const std::string& start) {
    size_t count = 0;
    for (size_t at = 0; (at = text.find(start, at)) != std::string::npos; ++at) {
        if (at == 0 || text[at - 1] == '\n') ++count;
    }
    return count;
}

}  // namespace

TEST_CASE("verify says what it checked, names damage and ends with 5", "[pipeline][verify]") {
    const SmallScene scene;
    REQUIRE(scene.render({"--tile", "32"}).status == 0);
    const auto whole = folder_content(scene.out());
    for (const std::vector<std::string>& more : {std::vector<std::string>{},
                                                 {"--quick"},
                                                 {"--quick", "--seed", "9"},
                                                 {"--threads", "1"}}) {
        const ProcessResult good = check(scene.out(), more);
        CHECK(good.status == 0);
        CHECK(good.out.empty());
        CHECK(good.err.find("whole") != std::string::npos);
    }
    CHECK(check(scene.out(), {"--quick", "--seed", "9"}).err.find("--seed 9") != std::string::npos);

    fs::remove(scene.out() / "pano_files" / "0" / "0_0.jpg");
    const ProcessResult one = check(scene.out());
    expect_failure(one, 5, {"out", "1 tile damaged", "--resume"});
    CHECK(lines_with(one.err, "damaged  pano_files/0/0_0.jpg: is missing") == 1);
    CHECK(lines_with(one.err, "damaged") == 1);

    // Many: twenty are named, the others counted.
    fs::remove_all(scene.out() / "pano_files");
    const ProcessResult many = check(scene.out());
    expect_failure(many, 5, {"out", "tiles and 1 file damaged", "--resume"});
    CHECK(lines_with(many.err, "damaged") == 21);
    CHECK(many.err.find("and ") != std::string::npos);

    const ProcessResult finished = scene.render({"--tile", "32"});
    CHECK(finished.status == 0);  // told from the report alone
    CHECK_FALSE(fs::exists(scene.out() / "pano_files"));
    const ProcessResult repaired = scene.render({"--tile", "32", "--resume"});
    CHECK(repaired.status == 0);
    CHECK(repaired.err.find("whole again") != std::string::npos);
    CHECK(folder_content(scene.out()) == whole);
    CHECK(check(scene.out()).status == 0);
}

TEST_CASE("verify refuses what is no result, and wrong words", "[pipeline][verify]") {
    const SmallScene scene;
    expect_failure(check(scene.out("none")), 3, {"none", "no such folder"});
    expect_failure(check(scene.folder()), 3, {"no finished result"});
    expect_failure(run_process({program(), "verify"}), 2, {});
    expect_failure(check(scene.folder(), {"--quik"}), 2, {"--quick"});
    expect_failure(check(scene.folder(), {"--threads", "0"}), 2, {"--threads"});
}
