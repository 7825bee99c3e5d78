// What scripts/bench.sh runs: renders against the floor, one factor at a time, and beside general
// libraries:
//   bench PROGRAM SHOOT RESULTS THREADS MEMORY small|large SECTION...
// SHOOT: the folder of make_bench_shoot. Sections: main threads budget canvas frames chain pyramid.
// Prints tables and writes RESULTS/bench.json; sections that it holds from another run and that are
// not asked for stay. Nothing passes or fails: a render that fails leaves its message in its row.
//   bench --floor SCENE full|draft SCALE THREADS
// is the floor's own process.
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "base/parallel.hpp"
#include "bench/bench_scene.hpp"
#include "bench/floor.hpp"
#include "broadloom/canvas.hpp"
#include "broadloom/render.hpp"
#include "support/process.hpp"

namespace {

namespace fs = std::filesystem;
using namespace broadloom;
using Json = nlohmann::ordered_json;

struct Grid {
    int64_t columns, rows;
};

/// What is large and small of it.
struct Sizes {
    Grid all, few, many;         ///< 100, 25 and 400 frames
    Grid even;                   ///< as many frames as canvas[1] needs at scale 1
    Grid chain;                  ///< a canvas that the chain can hold in memory
    std::vector<double> canvas;  ///< gigapixels, rising
    int64_t blend_width, blend_height;
    int64_t narrow, wide, pyramid_megapixels;  ///< pictures of the pyramid stage
};
const Sizes kLarge{{10, 10}, {5, 5}, {40, 10}, {6, 5}, {3, 4}, {0.1, 0.4, 1.2, 5},
                   8192,     4096,   35000,    200000, 1200};
const Sizes kSmall{{3, 2}, {2, 1}, {6, 2}, {2, 2}, {2, 2}, {0.0002, 0.0004, 0.0007, 0.0014},
                   1024,   512,    2000,   8000,   4};

double load_average() {
    double load = 0;
    return ::getloadavg(&load, 1) == 1 ? load : -1;
}

std::string processor() {
    std::ifstream in("/proc/cpuinfo");
    std::string line;
    while (std::getline(in, line)) {
        if (line.rfind("model name", 0) == 0) return line.substr(line.find(':') + 2);
    }
    return "unknown";
}

/// One render.
struct Row {
    std::string name;
    fs::path scene;
    std::string pass = "full";
    double scale = 1;
    int threads = 1;
    std::string memory;
    std::string seams = "fine";
    fs::path like;             ///< a result whose seams are used; empty: they are found
    fs::path keep;             ///< where the result stays; empty: it is removed
    bool floor_after = false;  ///< measure the floor once more after the render
};

class Bench {
  public:
    Bench(std::string program, fs::path shoot, fs::path results, int threads, std::string memory,
          const Sizes& sizes)
        : self_(fs::read_symlink("/proc/self/exe")),
          program_(std::move(program)),
          shoot_(std::move(shoot)),
          results_(std::move(results)),
          threads_(threads),
          memory_(std::move(memory)),
          sizes_(sizes) {
        fs::create_directories(results_);
    }

    Json section(const std::string& name) {
        const double load = load_average();
        Json j;
        if (name == "main") {
            j = main_rows();
        } else if (name == "threads") {
            j = thread_rows();
        } else if (name == "budget") {
            j = budget_rows();
        } else if (name == "canvas") {
            j = canvas_rows();
        } else if (name == "frames") {
            j = frame_rows();
        } else if (name == "chain") {
            j = chain();
        } else if (name == "pyramid") {
            j = pyramid();
        } else {
            throw std::runtime_error("there is no section " + name);
        }
        j["load_before"] = load;
        return j;
    }

  private:
    [[nodiscard]] fs::path scene(Grid g) const {
        return test::bench_scene(shoot_, g.columns, g.rows);
    }
    [[nodiscard]] Row row(const std::string& name, Grid grid) const {
        Row r;
        r.name = name;
        r.scene = scene(grid);
        r.threads = threads_;
        r.memory = memory_;
        return r;
    }
    /// The scale at which the scene's canvas has so many pixels; 1 where that is nearly so.
    [[nodiscard]] static double scale_for(const fs::path& scene, double gigapixels) {
        const Canvas c = make_canvas(read_scene(scene, SceneNeeds::orientations), 1);
        const double scale = std::sqrt(gigapixels * 1e9 / static_cast<double>(c.width) /
                                       static_cast<double>(c.height));
        return std::abs(scale - 1) < 0.03 ? 1 : scale;
    }

    Json main_rows() {
        begin("Full and draft, all frames");
        Json rows = Json::array();
        struct Kind {
            const char *name, *pass;
            double scale;
        };
        for (const Kind& k : {Kind{"full", "full", 1}, Kind{"hard-cut draft", "draft", 1},
                              Kind{"draft at 1/2", "draft", 0.5}}) {
            Row r = row(k.name, sizes_.all);
            r.pass = k.pass;
            r.scale = k.scale;
            r.floor_after = true;
            r.keep = results_ / "found";
            fs::remove_all(r.keep);
            rows.push_back(render(r));
            Row like = r;
            like.name += ", seams found before";
            like.like = r.keep;
            like.keep.clear();
            rows.push_back(render(like));
            fs::remove_all(r.keep);
            Row simple = r;
            simple.name += ", simple seams";
            simple.seams = "simple";
            simple.keep.clear();
            rows.push_back(render(simple));
        }
        return {{"rows", rows}};
    }

    Json thread_rows() {
        begin("Threads");
        Json rows = Json::array();
        std::vector<int> counts{1, 2, processor_count()};
        std::sort(counts.begin(), counts.end());
        counts.erase(std::unique(counts.begin(), counts.end()), counts.end());
        Json j;
        for (const std::string pass : {"full", "draft"}) {
            double one = 0;
            for (const int n : counts) {
                Row r = row(pass + ", " + std::to_string(n) + (n == 1 ? " thread" : " threads"),
                            sizes_.all);
                r.pass = pass;
                r.scale = pass == "full" ? 1 : 0.5;
                r.threads = n;
                rows.push_back(render(r));
                if (!rows.back().contains("wall_seconds")) continue;
                const auto wall = rows.back()["wall_seconds"].get<double>();
                if (n == 1) one = wall;
                if (n > 1 && one > 0) {
                    std::printf("  %d threads are %.2f times as fast as one\n", n, one / wall);
                    j["speed_ups"].push_back(
                        {{"pass", pass}, {"threads", n}, {"ratio", one / wall}});
                }
            }
        }
        j["rows"] = rows;
        return j;
    }

    Json budget_rows() {
        begin("Memory budget");
        Json rows = Json::array();
        for (const std::string pass : {"full", "draft"}) {
            for (const char* memory : {"256M", "512M", "1G", "4G"}) {
                Row r = row(pass + ", " + memory, sizes_.all);
                r.pass = pass;
                r.scale = pass == "full" ? 1 : 0.5;
                r.memory = memory;
                rows.push_back(render(r));
            }
        }
        return {{"rows", rows}};
    }

    /// The same frames at several scales, as many as a canvas at scale 1 needs, and all round.
    Json canvas_rows() {
        begin("Canvas");
        Json rows = Json::array();
        const auto add = [&](Grid grid, double gigapixels, const std::string& pass,
                             const std::string& memory) {
            Row r = row(size_name(gigapixels) + ", " + std::to_string(grid.columns * grid.rows) +
                            " frames, " + pass + ", " + memory,
                        grid);
            r.pass = pass;
            r.memory = memory;
            r.scale = scale_for(r.scene, gigapixels) * (pass == "full" ? 1 : 0.5);
            rows.push_back(render(r));
            const Json& last = rows.back();
            return last.contains("wall_seconds")
                       ? last["wall_seconds"].get<double>() / last["megapixels"].get<double>()
                       : 0.0;
        };
        const auto& c = sizes_.canvas;
        add(sizes_.all, c[0], "full", memory_);
        const double scaled = add(sizes_.all, c[1], "full", memory_);
        const double small = add(sizes_.even, c[1], "full", memory_);
        add(sizes_.all, c[2], "full", memory_);
        const double large = add(sizes_.many, c[3], "full", memory_);
        add(sizes_.many, c[3], "full", "256M");
        add(sizes_.many, c[3], "draft", "256M");
        const Json ratios{{"same_density", small > 0 ? large / small : 0},
                          {"same_frames_scaled", scaled > 0 ? large / scaled : 0}};
        std::printf("  time a megapixel, %s against %s: %.2f at scale 1, %.2f of scaled frames\n",
                    size_name(c[3]).c_str(), size_name(c[1]).c_str(),
                    ratios["same_density"].get<double>(),
                    ratios["same_frames_scaled"].get<double>());
        return {{"rows", rows}, {"largest_against_smaller_per_megapixel", ratios}};
    }

    /// Numbers of frames on canvases of one size.
    Json frame_rows() {
        begin("Frames, canvas of one size");
        Json rows = Json::array();
        const Canvas c = make_canvas(read_scene(scene(sizes_.few), SceneNeeds::orientations), 1);
        const double gigapixels =
            1e-9 * static_cast<double>(c.width) * static_cast<double>(c.height);
        for (const Grid g : {sizes_.few, sizes_.all, sizes_.many}) {
            Row r = row(std::to_string(g.columns * g.rows) + " frames", g);
            r.scale = scale_for(r.scene, gigapixels);
            rows.push_back(render(r));
        }
        return {{"rows", rows}};
    }

    Json chain() {
        begin("Beside the library chain");
        Json rows = Json::array();
        Json j;
        Row fine = row("broadloom, fine seams", sizes_.chain);
        Row simple = row("broadloom, simple seams", sizes_.chain);
        simple.seams = "simple";
        const Json own_fine = render(fine);
        const Json own_simple = render(simple);
        rows.push_back(own_fine);
        rows.push_back(own_simple);
        j["rows"] = rows;
        const fs::path out = results_ / "chain";
        fs::remove_all(out);
        fs::create_directories(out);
        ::sync();
        Json& c = j["chain"] = measured(
            {sibling("chain_bench"), fine.scene.native(), out.native(), std::to_string(threads_)});
        fs::remove_all(out);
        std::printf("  chain of libraries: %.2f s (and %.2f s for maps and masks)\n",
                    value(c, "seconds"), value(c, "map_seconds"));
        std::printf("    decode %.2f, remap %.2f, blend %.2f, tiles %.2f, TIFF %.2f; %.0f MiB\n",
                    value(c, "decode_seconds"), value(c, "remap_seconds"),
                    value(c, "blend_seconds"), value(c, "tiles_seconds"), value(c, "tiff_seconds"),
                    value(c, "peak_memory_bytes") / (1 << 20));
        const double against_fine = value(c, "seconds") / value(own_fine, "wall_seconds");
        const double against_simple = value(c, "seconds") / value(own_simple, "wall_seconds");
        j["times_as_fast"] = {{"fine_seams", against_fine}, {"simple_seams", against_simple}};
        std::printf("  times as fast: %.2f, with simple seams %.2f\n", against_fine,
                    against_simple);

        Json& b = j["blend"] =
            measured({sibling("blend_bench"), std::to_string(sizes_.blend_width),
                      std::to_string(sizes_.blend_height), std::to_string(threads_)});
        std::printf("  blend alone, every pixel: %.1f megapixels/s, OpenCV %.1f: %.2f times\n",
                    value(b, "megapixels_per_second"), value(b, "opencv_megapixels_per_second"),
                    value(b, "times_as_fast"));
        return j;
    }

    Json pyramid() {
        begin("Pyramid stage alone");
        Json j;
        const fs::path frame = read_some_frame();
        const auto run = [&](const std::string& who, const std::string& what, int64_t width,
                             int threads) {
            const fs::path out = results_ / "pyramid";
            fs::remove_all(out);
            fs::create_directories(out);
            ::sync();
            const int64_t height = sizes_.pyramid_megapixels * 1000000 / width;
            Json r = measured({sibling("pyramid_bench"), who, what, std::to_string(width),
                               std::to_string(height), std::to_string(threads), frame.native(),
                               out.native()});
            fs::remove_all(out);
            std::printf(
                "  %-9s %-6s %6lld px wide, %d threads: %6.2f s, sync %5.2f s, %6.0f "
                "megapixels/s, %5.0f MiB\n",
                who.c_str(), what.c_str(), static_cast<long long>(width), threads,
                value(r, "seconds"), value(r, "sync_seconds"), value(r, "megapixels_per_second"),
                value(r, "peak_memory_bytes") / (1 << 20));
            std::fflush(stdout);
            j["rows"].push_back(r);
            return r;
        };
        const Json tiles = run("broadloom", "tiles", sizes_.narrow, threads_);
        const Json both = run("broadloom", "both", sizes_.narrow, threads_);
        const Json wide = run("broadloom", "both", sizes_.wide, threads_);
        double best = 0;
        for (const int n : {1, 2, 4}) {
            const double s = value(run("libvips", "tiles", sizes_.narrow, n), "seconds");
            if (s > 0 && (best <= 0 || s < best)) best = s;
        }
        run("libvips", "tiff", sizes_.narrow, threads_);
        run("libvips", "tiles", sizes_.wide, threads_);
        j["times_as_fast"] = best / value(tiles, "seconds");
        j["both_against_tiles"] = value(both, "seconds") / value(tiles, "seconds");
        j["memory_wide_against_narrow"] =
            value(wide, "peak_memory_bytes") / value(both, "peak_memory_bytes");
        std::printf(
            "  tiles: %.2f times as fast as libvips at its best; with the TIFF %.2f of the "
            "time of tiles alone; memory of the wide one %.3f of the narrow one's\n",
            value(j, "times_as_fast"), value(j, "both_against_tiles"),
            value(j, "memory_wide_against_narrow"));
        return j;
    }

    [[nodiscard]] fs::path read_some_frame() const {
        const Scene s = read_scene(shoot_ / "scene.json", SceneNeeds::orientations);
        return s.path_of(s.frames[s.frames.size() / 2]);
    }
    [[nodiscard]] std::string sibling(const std::string& name) const {
        return (self_.parent_path() / name).native();
    }
    static std::string size_name(double gigapixels) {
        char text[40];
        std::snprintf(text, sizeof text, "%.2g GP", gigapixels);
        return text;
    }
    static double value(const Json& j, const char* key) {
        return j.contains(key) && j[key].is_number() ? j[key].get<double>() : 0;
    }

    test::ProcessResult run(const std::vector<std::string>& command) const {
        test::ProcessOptions options;
        options.timeout_seconds = 4 * 3600;
        return test::run_process(command, options);
    }
    /// The line of JSON that a program prints, and its memory as the kernel counts it.
    Json measured(const std::vector<std::string>& command) const {
        const auto r = run(command);
        if (r.status != 0) throw std::runtime_error(command[0] + " failed: " + r.err);
        Json j = Json::parse(r.out);
        j["peak_memory_bytes"] = r.peak_bytes;
        j["process_cpu_seconds"] = r.cpu_seconds;
        return j;
    }
    Json floor_of(const Row& r) const {
        return measured({self_.native(), "--floor", r.scene.native(), r.pass, Json(r.scale).dump(),
                         std::to_string(r.threads)});
    }

    static void begin(const char* title) {
        std::printf(
            "\n%s\n  %-34s %9s %6s %3s %5s %8s %8s %7s %6s %7s %8s %7s  share of the threads' "
            "time, %%\n",
            title, "", "MP", "frames", "thr", "mem", "wall s", "cpu s", "floor s", "ratio", "MP/s",
            "peak MiB", "decodes");
        std::fflush(stdout);
    }

    Json render(const Row& r) const {
        Json j;
        j["name"] = r.name;
        j["pass"] = r.pass;
        j["scale"] = r.scale;
        j["seams"] = r.like.empty() ? r.seams : "fine, found before";
        j["memory"] = r.memory;
        const fs::path out = r.keep.empty() ? results_ / "result" : r.keep;
        fs::remove_all(out);
        std::vector<std::string> command{program_,
                                         "render",
                                         r.scene.native(),
                                         "--out",
                                         out.native(),
                                         "--pass",
                                         r.pass,
                                         "--scale",
                                         Json(r.scale).dump(),
                                         "--threads",
                                         std::to_string(r.threads),
                                         "--memory",
                                         r.memory,
                                         "--seams",
                                         r.seams};
        if (!r.like.empty()) command.insert(command.end(), {"--like", r.like.native()});
        const Json before = floor_of(r);
        ::sync();  // what was written before must not be in the way
        const auto done = run(command);
        if (done.status != 0) {
            j["failed"] = done.err;
            std::printf("  %-34s failed: %s\n", r.name.c_str(), test::last_line(done.err).c_str());
            if (r.keep.empty()) fs::remove_all(out);
            return j;
        }
        const Json after = r.floor_after ? floor_of(r) : before;
        const auto text = test::file_bytes(out / "report.json");
        const Json report = Json::parse(text.begin(), text.end());
        if (r.keep.empty()) fs::remove_all(out);

        Json floor = before;
        for (const char* key : {"seconds", "decode_seconds", "encode_seconds", "cpu_seconds"}) {
            floor[key] = (value(before, key) + value(after, key)) / 2;
        }
        floor["before_seconds"] = before["seconds"];
        if (r.floor_after) floor["after_seconds"] = after["seconds"];
        for (const char* key :
             {"width", "height", "megapixels", "frames", "threads", "bands", "instruction_set",
              "memory_budget_bytes", "decodes", "decoded_megapixels"}) {
            j[key] = report[key];
        }
        j["wall_seconds"] = done.seconds;
        j["cpu_seconds"] = done.cpu_seconds;
        j["megapixels_per_second"] = value(report, "megapixels") / done.seconds;
        j["floor"] = floor;
        j["ratio_to_floor"] = done.seconds / value(floor, "seconds");
        j["cpu_ratio_to_floor"] = done.cpu_seconds / value(floor, "cpu_seconds");
        j["peak_memory_bytes"] = done.peak_bytes;
        j["within_budget"] = done.peak_bytes <= report["memory_budget_bytes"].get<int64_t>();
        // Partial and scaled decodes count by their pixels.
        j["decodes_per_frame"] =
            value(report, "decoded_megapixels") / value(floor, "decoded_megapixels");
        // The coarse solution's time is wall time, the others' summed over the threads.
        const double all = done.seconds * r.threads;
        double rest = all;
        for (const auto& [name, seconds] : report["seconds"].items()) {
            if (name == "total") continue;
            const double s = seconds.get<double>() * (name == "settle" ? r.threads : 1);
            j["stage_shares"][name] = s / all;
            rest -= s;
        }
        j["stage_shares"]["rest"] = rest / all;
        print(j, r.threads);
        return j;
    }

    static void print(const Json& j, int threads) {
        std::printf("  %-34s %9.2f %6.0f %3d %5s %8.2f %8.2f %7.2f %6.2f %7.1f %8.1f%s %6.2f ",
                    j["name"].get<std::string>().c_str(), value(j, "megapixels"),
                    value(j, "frames"), threads, j["memory"].get<std::string>().c_str(),
                    value(j, "wall_seconds"), value(j, "cpu_seconds"), value(j["floor"], "seconds"),
                    value(j, "ratio_to_floor"), value(j, "megapixels_per_second"),
                    value(j, "peak_memory_bytes") / (1 << 20),
                    j["within_budget"].get<bool>() ? " " : "!", value(j, "decodes_per_frame"));
        for (const auto& [name, share] : j["stage_shares"].items())
            std::printf(" %s %.0f", name.c_str(), 100 * share.get<double>());
        if (value(j, "threads") < threads) std::printf(" (took %.0f threads)", value(j, "threads"));
        std::printf("\n");
        std::fflush(stdout);
    }

    fs::path self_;
    std::string program_;
    fs::path shoot_, results_;
    int threads_;
    std::string memory_;
    const Sizes& sizes_;
};

int print_floor(char** argv) {
    const test::Floor f = test::measure_floor(argv[2], std::string(argv[3]) == "draft",
                                              std::atof(argv[4]), std::max(1, std::atoi(argv[5])));
    const Json j{{"seconds", f.seconds()},
                 {"decode_seconds", f.decode_seconds},
                 {"encode_seconds", f.encode_seconds},
                 {"cpu_seconds", f.cpu_seconds},
                 {"frames", f.frames},
                 {"tiles", f.tiles},
                 {"decoded_megapixels", f.decoded_megapixels},
                 {"frame_bits_per_pixel", f.frame_bits_per_pixel},
                 {"tile_bits_per_pixel", f.tile_bits_per_pixel}};
    std::printf("%s\n", j.dump().c_str());
    return 0;
}

int measure(int argc, char** argv) {
    const fs::path results = argv[3];
    const fs::path file = results / "bench.json";
    Bench bench(argv[1], argv[2], results, std::max(1, std::atoi(argv[4])), argv[5],
                std::string(argv[6]) == "small" ? kSmall : kLarge);
    Json all = Json::object();
    if (fs::exists(file)) {
        const auto text = test::file_bytes(file);
        all = Json::parse(text.begin(), text.end(), nullptr, false);
        if (!all.is_object()) all = Json::object();
    }
    all["machine"] = {{"processor", processor()}, {"processors", processor_count()}};
    all["build"] = {
        {"version", version()}, {"type", BROADLOOM_BUILD_TYPE}, {"compiler", __VERSION__}};
    std::printf("machine  %s, %d processors, load %.2f\n", processor().c_str(), processor_count(),
                load_average());
    std::printf("build    broadloom %s, %s, GCC-compatible compiler %s\n", version(),
                BROADLOOM_BUILD_TYPE, __VERSION__);
    for (int i = 7; i < argc; ++i) {
        all[argv[i]] = bench.section(argv[i]);
        // After each section, so that one that is stopped keeps what was measured.
        std::ofstream(file) << all.dump(2) << "\n";
    }
    std::printf("\nfigures  %s\n", file.c_str());
    return 0;
}

}  // namespace

int main(int argc, char** argv) {
    try {
        if (argc == 6 && std::string(argv[1]) == "--floor") return print_floor(argv);
        if (argc < 8) {
            std::fprintf(stderr,
                         "usage: bench PROGRAM SHOOT RESULTS THREADS MEMORY small|large "
                         "SECTION...\n");
            return 2;
        }
        return measure(argc, argv);
    } catch (const std::exception& e) {
        std::fprintf(stderr, "bench: %s\n", e.what());
        return 1;
    }
}
