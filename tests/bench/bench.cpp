// Measures a render against the floor: any program must decode every frame once and encode every
// tile once. Both are measured in the same run, on the same number of threads, each in a process of
// its own so that its peak memory is its own.
//   bench PROGRAM SCENE FOLDER [THREADS [MEMORY]]
// prints a table and writes FOLDER/bench.json. FOLDER takes the results, too.
//   bench --floor SCENE full|draft THREADS
// is the floor's own process.
#include <turbojpeg.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <thread>
#include <vector>

#include "broadloom/pyramid.hpp"
#include "broadloom/render.hpp"
#include "support/process.hpp"

namespace {

namespace fs = std::filesystem;
using namespace broadloom;
using Json = nlohmann::ordered_json;

constexpr int64_t kTile = 512;
constexpr int kQuality = 90;

double now() {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch())
        .count();
}

std::vector<uint8_t> read_file(const fs::path& path) {
    std::ifstream in(path, std::ios::binary);
    std::vector<uint8_t> bytes(static_cast<size_t>(fs::file_size(path)));
    if (!in.read(reinterpret_cast<char*>(bytes.data()),
                 static_cast<std::streamsize>(bytes.size()))) {
        throw std::runtime_error("cannot read " + path.string());
    }
    return bytes;
}

/// Seconds that `threads` threads take for `count` pieces of work; work(thread, piece).
template <typename Work>
double timed(int threads, int64_t count, const Work& work) {
    std::atomic<int64_t> next{0};
    std::vector<std::thread> running;
    const double start = now();
    for (int t = 0; t < threads; ++t) {
        running.emplace_back([&, t] {
            for (int64_t i = next++; i < count; i = next++) work(t, i);
        });
    }
    for (std::thread& t : running) t.join();
    return now() - start;
}

/// One thread's codec and buffers, kept between pieces as a fast program would.
struct Codec {
    tjhandle decoder = tjInitDecompress();
    tjhandle encoder = tjInitCompress();
    std::vector<uint8_t> pixels, jpeg;
    int width = 0, height = 0;
    Codec() = default;
    ~Codec() {
        tjDestroy(decoder);
        tjDestroy(encoder);
    }
    Codec(const Codec&) = delete;
    Codec& operator=(const Codec&) = delete;

    void decode(const std::vector<uint8_t>& file, int denominator) {
        int subsampling = 0;
        int space = 0;
        if (tjDecompressHeader3(decoder, file.data(), file.size(), &width, &height, &subsampling,
                                &space) != 0) {
            throw std::runtime_error(tjGetErrorStr2(decoder));
        }
        width = (width + denominator - 1) / denominator;
        height = (height + denominator - 1) / denominator;
        pixels.resize(static_cast<size_t>(width) * static_cast<size_t>(height) * 4);
        if (tjDecompress2(decoder, file.data(), file.size(), pixels.data(), width, 0, height,
                          TJPF_RGBX, 0) != 0) {
            throw std::runtime_error(tjGetErrorStr2(decoder));
        }
    }
    unsigned long encode(const uint8_t* rgbx) {
        jpeg.resize(tjBufSize(kTile, kTile, TJSAMP_420));
        unsigned char* to = jpeg.data();
        unsigned long size = jpeg.size();
        if (tjCompress2(encoder, rgbx, kTile, 0, kTile, TJPF_RGBX, &to, &size, TJSAMP_420, kQuality,
                        TJFLAG_NOREALLOC) != 0) {
            throw std::runtime_error(tjGetErrorStr2(encoder));
        }
        return size;
    }
};

/// Prints one line of JSON: seconds of both halves and what they did.
void measure_floor(const fs::path& scene_file, const std::string& pass, int threads) {
    const Scene scene = read_scene(scene_file, SceneNeeds::orientations);
    RenderOptions options;
    options.out = fs::temp_directory_path() / "bench-plan";
    options.pass = pass == "draft" ? Pass::draft : Pass::full;
    const RenderPlan plan = plan_render(scene, options);
    const PyramidShape shape{plan.canvas.width, plan.canvas.height, kTile, 0};
    const int denominator = options.pass == Pass::draft ? 2 : 1;

    std::vector<std::vector<uint8_t>> files;  // warm: reading is not what is measured
    for (const Frame& f : scene.frames) {
        if (f.use) files.push_back(read_file(scene.path_of(f)));
    }
    std::vector<Codec> codecs(static_cast<size_t>(threads));
    const auto decode = [&](int t, int64_t i) {
        codecs[static_cast<size_t>(t)].decode(files[static_cast<size_t>(i)], denominator);
    };
    // Once before, so that buffers exist.
    timed(threads, threads, decode);
    const double decode_seconds = timed(threads, static_cast<int64_t>(files.size()), decode);

    // Compact tiles of a frame's own pixels: the same detail as the render's, all over again.
    const Codec& some = codecs.front();
    std::vector<std::vector<uint8_t>> tiles;
    for (int64_t y = 0; y + kTile <= some.height; y += kTile) {
        for (int64_t x = 0; x + kTile <= some.width; x += kTile) {
            std::vector<uint8_t> tile(static_cast<size_t>(kTile * kTile * 4));
            for (int64_t j = 0; j < kTile; ++j) {
                std::memcpy(tile.data() + j * kTile * 4,
                            some.pixels.data() + ((y + j) * some.width + x) * 4,
                            static_cast<size_t>(kTile * 4));
            }
            tiles.push_back(std::move(tile));
        }
    }
    if (tiles.empty()) throw std::runtime_error("the frames are smaller than a tile");
    const int64_t count = (shape.pixel_count() + kTile * kTile - 1) / (kTile * kTile);
    std::atomic<int64_t> encoded_bytes{0};
    const double encode_seconds = timed(threads, count, [&](int t, int64_t i) {
        encoded_bytes += static_cast<int64_t>(codecs[static_cast<size_t>(t)].encode(
            tiles[static_cast<size_t>(i) % tiles.size()].data()));
    });
    Json j;
    j["decode_seconds"] = decode_seconds;
    j["encode_seconds"] = encode_seconds;
    j["frames"] = files.size();
    j["decoded_megapixels"] =
        static_cast<double>(files.size()) * some.width * static_cast<double>(some.height) / 1e6;
    j["tiles"] = count;
    j["encoded_bytes"] = encoded_bytes.load();
    std::printf("%s\n", j.dump().c_str());
}

Json floor_of(const std::string& self, const std::string& scene, const std::string& pass,
              int threads) {
    const auto r = test::run_process({self, "--floor", scene, pass, std::to_string(threads)});
    if (r.status != 0) throw std::runtime_error("the floor cannot be measured: " + r.err);
    return Json::parse(r.out);
}

std::string processor() {
    std::ifstream in("/proc/cpuinfo");
    std::string line;
    while (std::getline(in, line)) {
        if (line.rfind("model name", 0) == 0) return line.substr(line.find(':') + 2);
    }
    return "unknown";
}

double load_average() {
    double load = 0;
    return ::getloadavg(&load, 1) == 1 ? load : -1;
}

Json measure(const std::string& self, const std::string& program, const std::string& scene,
             const fs::path& folder, const std::string& pass, int threads,
             const std::string& memory) {
    const fs::path out = folder / ("bench-" + pass);
    fs::remove_all(out);
    // The floor on both sides of the render, since the machine may be busy with other things.
    const Json before = floor_of(self, scene, pass, threads);
    const auto r =
        test::run_process({program, "render", scene, "--out", out.native(), "--pass", pass,
                           "--threads", std::to_string(threads), "--memory", memory});
    if (r.status != 0) throw std::runtime_error("the render failed: " + r.err);
    const Json after = floor_of(self, scene, pass, threads);
    const std::vector<uint8_t> text = read_file(out / "report.json");
    const Json report = Json::parse(text.begin(), text.end());
    fs::remove_all(out);

    const auto mean = [&](const char* key) {
        return (before[key].get<double>() + after[key].get<double>()) / 2;
    };
    const auto total = [](const Json& f) {
        return f["decode_seconds"].get<double>() + f["encode_seconds"].get<double>();
    };
    const double floor = (total(before) + total(after)) / 2;
    Json j;
    j["pass"] = pass;
    j["width"] = report["width"];
    j["height"] = report["height"];
    j["megapixels"] = report["megapixels"];
    j["frames"] = report["frames"];
    j["threads"] = report["threads"];
    j["bands"] = report["bands"];
    j["instruction_set"] = report["instruction_set"];
    j["wall_seconds"] = r.seconds;
    j["cpu_seconds"] = r.cpu_seconds;
    j["megapixels_per_second"] = report["megapixels"].get<double>() / r.seconds;
    j["peak_memory_bytes"] = r.peak_bytes;
    j["memory_budget_bytes"] = report["memory_budget_bytes"];
    j["decodes_per_frame"] = report["decodes"].get<double>() / report["frames"].get<double>();
    j["floor"] = {{"seconds", floor},
                  {"decode_seconds", mean("decode_seconds")},
                  {"encode_seconds", mean("encode_seconds")},
                  {"before_seconds", total(before)},
                  {"after_seconds", total(after)},
                  {"tiles", before["tiles"]},
                  {"decoded_megapixels", before["decoded_megapixels"]}};
    j["ratio_to_floor"] = r.seconds / floor;
    double stages = 0;
    for (const auto& [name, seconds] : report["seconds"].items()) {
        if (name != "total") stages += seconds.get<double>();
    }
    for (const auto& [name, seconds] : report["seconds"].items()) {
        if (name != "total")
            j["stage_shares"][name] = stages > 0 ? seconds.get<double>() / stages : 0.0;
    }
    return j;
}

void print(const Json& j) {
    const auto number = [&](const char* key) { return j[key].get<double>(); };
    std::printf(
        "\n%s pass: %.0f x %.0f px, %.1f megapixels of %d frames, %d bands, %d threads, %s\n",
        j["pass"].get<std::string>().c_str(), number("width"), number("height"),
        number("megapixels"), j["frames"].get<int>(), j["bands"].get<int>(),
        j["threads"].get<int>(), j["instruction_set"].get<std::string>().c_str());
    std::printf("  %-22s %8.2f s   %8.1f megapixels/s\n", "wall time", number("wall_seconds"),
                number("megapixels_per_second"));
    std::printf("  %-22s %8.2f s\n", "processor time", number("cpu_seconds"));
    std::printf("  %-22s %8.1f MiB of %.0f\n", "peak memory",
                number("peak_memory_bytes") / (1 << 20), number("memory_budget_bytes") / (1 << 20));
    std::printf("  %-22s %8.2f\n", "decodes a frame", number("decodes_per_frame"));
    const Json& f = j["floor"];
    std::printf(
        "  %-22s %8.2f s   decode %.2f + encode %.2f (%.2f before, %.2f after the render)\n",
        "floor", f["seconds"].get<double>(), f["decode_seconds"].get<double>(),
        f["encode_seconds"].get<double>(), f["before_seconds"].get<double>(),
        f["after_seconds"].get<double>());
    std::printf("  %-22s %8.2f\n", "ratio to the floor", number("ratio_to_floor"));
    std::printf("  %-22s", "share of each stage");
    for (const auto& [name, share] : j["stage_shares"].items()) {
        std::printf(" %s %.0f %%", name.c_str(), 100 * share.get<double>());
    }
    std::printf("\n");
}

}  // namespace

int main(int argc, char** argv) {
    try {
        if (argc == 5 && std::string(argv[1]) == "--floor") {
            measure_floor(argv[2], argv[3], std::max(1, std::atoi(argv[4])));
            return 0;
        }
        if (argc < 4 || argc > 6) {
            std::fprintf(stderr, "usage: bench PROGRAM SCENE FOLDER [THREADS [MEMORY]]\n");
            return 2;
        }
        const int threads = argc > 4 ? std::max(1, std::atoi(argv[4]))
                                     : static_cast<int>(std::thread::hardware_concurrency());
        const std::string memory = argc > 5 ? argv[5] : "512M";
        const fs::path folder = argv[3];
        fs::create_directories(folder);
        Json all;
        all["machine"] = {{"processor", processor()},
                          {"processors", std::thread::hardware_concurrency()},
                          {"load_before", load_average()}};
        all["build"] = {
            {"version", version()}, {"type", BROADLOOM_BUILD_TYPE}, {"compiler", __VERSION__}};
        std::printf("machine  %s, %u processors, load before %.2f\n", processor().c_str(),
                    std::thread::hardware_concurrency(),
                    all["machine"]["load_before"].get<double>());
        std::printf("build    broadloom %s, %s, GCC-compatible compiler %s\n", version(),
                    BROADLOOM_BUILD_TYPE, __VERSION__);
        for (const std::string pass : {"full", "draft"}) {
            const Json j = measure(fs::read_symlink("/proc/self/exe").native(), argv[1], argv[2],
                                   folder, pass, threads, memory);
            print(j);
            std::fflush(stdout);
            all["renders"].push_back(j);
        }
        std::ofstream(folder / "bench.json") << all.dump(2) << "\n";
        std::printf("\nfigures  %s\n", (folder / "bench.json").c_str());
        return 0;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "bench: %s\n", e.what());
        return 1;
    }
}
