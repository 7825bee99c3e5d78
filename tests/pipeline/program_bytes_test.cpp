// The bytes of every output depend on the scene and the options that name the result, on nothing
// else.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cstdlib>

#include "support/processor_sets.hpp"
#include "support/small_scene.hpp"

using namespace broadloom::test;

namespace {

/// report.json apart: it holds times.
std::map<std::string, std::string> outputs(const SmallScene& scene,
                                           const std::vector<std::string>& options,
                                           const std::string& out) {
    const ProcessResult r = scene.render(options, out);
    INFO(r.err);
    REQUIRE(r.status == 0);
    auto found = folder_content(scene.out(out));
    REQUIRE(found.erase("report.json") == 1);
    REQUIRE(found.size() > 5);
    std::filesystem::remove_all(scene.out(out));
    return found;
}

/// Instruction sets that this processor has, by asking the program.
std::vector<std::string> instruction_sets(const SmallScene& scene) {
    std::vector<std::string> found;
    for (const std::string name : {"plain", "sse4", "avx2", "avx512", "neon"}) {
        const ProcessResult r =
            scene.render({"--instruction-set", name, "--scale", "0.05"}, "probe-" + name);
        if (r.status == 0) {
            found.push_back(name);
        } else {
            INFO(r.err);
            CHECK(r.status == 2);
            CHECK(last_line(r.err).find("--instruction-set") != std::string::npos);
        }
    }
    return found;
}

void check_same(const SmallScene& scene, const std::vector<std::string>& options) {
    const auto with = [&](const std::vector<std::string>& more) {
        std::vector<std::string> all = options;
        all.insert(all.end(), more.begin(), more.end());
        return outputs(scene, all, "out");
    };
    const auto first = with({"--threads", "1", "--memory", "1G"});
    // The least that works, named by the program, and a little more.
    const std::string refusal = [&] {
        std::vector<std::string> all = options;
        all.insert(all.end(), {"--memory", "1M"});
        return last_line(scene.render(all, "refused").err);
    }();
    const std::string key = "at least --memory ";
    REQUIRE(refusal.find(key) != std::string::npos);
    const int least = std::stoi(refusal.substr(refusal.find(key) + key.size()));
    // Every instruction set, each with other threads and another memory.
    const std::vector<std::vector<std::string>> others{
        {"--threads", "3", "--memory", std::to_string(least + 1) + "M"},
        {"--threads", "5"},
        {"--threads", "2", "--memory", std::to_string(least + 20) + "M"}};
    static const std::vector<std::string> sets = instruction_sets(scene);
    for (size_t i = 0; i < std::max(sets.size(), others.size()); ++i) {
        std::vector<std::string> how = others[i % others.size()];
        how.insert(how.end(), {"--instruction-set", sets[i % sets.size()]});
        INFO(how[1] << " threads, " << how.back());
        CHECK(with(how) == first);
    }
    // Equality means something: another quality gives other bytes.
    CHECK(with({"--quality", "89"}) != first);
}

}  // namespace

TEST_CASE("plain code runs everywhere, and each other set where the processor has it",
          "[pipeline][bytes]") {
    const SmallScene scene(2, 1);
    std::vector<std::string> expected = processor_sets();
    expected.insert(expected.begin(), "plain");
    CHECK(instruction_sets(scene) == expected);
}

TEST_CASE("a blended result has the same bytes for any threads, memory and instruction set",
          "[pipeline][bytes]") {
    check_same(SmallScene(3, 2), {"--scale", "4", "--bands", "4"});
}

TEST_CASE("a full turn has the same bytes for any threads, memory and instruction set",
          "[pipeline][bytes]") {
    check_same(SmallScene(6, 1, true), {"--scale", "3", "--bands", "3"});
}

TEST_CASE("a draft has the same bytes for any threads, memory and instruction set",
          "[pipeline][bytes]") {
    check_same(SmallScene(3, 2), {"--scale", "3", "--pass", "draft"});
}

TEST_CASE("tiles with overlap have the same bytes for any threads, memory and instruction set",
          "[pipeline][bytes]") {
    check_same(SmallScene(3, 2), {"--scale", "2", "--tile", "254", "--overlap", "1"});
}

TEST_CASE("variables that the JPEG library reads from the environment change nothing",
          "[pipeline][bytes]") {
    // TurboJPEG 2.1 optimises Huffman tables under TJ_OPTIMIZE, which a TIFF's shared tables
    // forbid.
    const SmallScene scene(2, 1);
    const auto usual = outputs(scene, {}, "out");
    for (const char* name : {"TJ_OPTIMIZE", "TJ_PROGRESSIVE", "TJ_RESTART"}) {
        INFO(name);
        setenv(name, "1", 1);
        CHECK(outputs(scene, {}, "out") == usual);
        unsetenv(name);
    }
}
