// The command line: arguments in, messages and exit statuses out.
#include <malloc.h>

#include <algorithm>
#include <array>
#include <csignal>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <exception>
#include <new>
#include <string>
#include <string_view>
#include <vector>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "cli/commands.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

std::atomic<int> stop_signal{0};

namespace {

extern "C" void on_signal(int number) {
    // A second signal ends the program at once, unless it is the same one sent to process and
    // group.
    static std::atomic<int64_t> first_second{0};
    struct timespec now {};
    clock_gettime(CLOCK_MONOTONIC, &now);
    if (stop_signal.exchange(number) == 0) {
        first_second = now.tv_sec;
    } else if (now.tv_sec > first_second + 1) {
        std::_Exit(128 + number);
    }
}

/// CLI11's own words name its types; say what a user needs instead.
std::string usage_message(const CLI::App& app, const CLI::ParseError& e,
                          const std::vector<std::string>& words) {
    static constexpr std::array<std::string_view, 5> kCommands{"weave", "gather", "align", "render",
                                                               "verify"};
    if (words.empty())
        return "no command given; try: broadloom weave FOLDER --out DIR, or broadloom --help";
    const std::string& first = words.front();
    if (first.rfind('-', 0) == 0) {
        return "there is no option " + escaped(first.substr(0, first.find('='))) +
               " before a command; try: broadloom --help";
    }
    if (std::find(kCommands.begin(), kCommands.end(), first) == kCommands.end()) {
        const std::string near = nearest_name(first, kCommands);
        return "there is no command \"" + escaped(first) + "\"" +
               (near.empty() ? "." : "; did you mean \"" + near + "\"?") + " Try: broadloom --help";
    }
    if (dynamic_cast<const CLI::ExtrasError*>(&e) != nullptr) {
        std::vector<std::string> names;
        for (const CLI::App* sub : app.get_subcommands()) {
            for (const CLI::Option* o : sub->get_options()) names.push_back(o->get_name());
        }
        const std::vector<std::string_view> views(names.begin(), names.end());
        for (const std::string& w : words) {
            const std::string word = w.substr(0, w.find('='));
            if (word.rfind("--", 0) != 0) continue;
            bool known = false;
            for (const auto& n : names) known = known || n == word;
            if (!known) {
                const std::string near = nearest_name(word, views);
                return "there is no option " + escaped(word) +
                       (near.empty() ? "." : "; did you mean " + near + "?") + " Try: broadloom " +
                       escaped(first) + " --help";
            }
        }
    }
    return escaped(e.what()) + "; try: broadloom --help";
}

int fail(int status, const std::string& details, const std::string& message) {
    if (!details.empty()) {
        std::fprintf(stderr, "%s%s", details.c_str(), details.back() == '\n' ? "" : "\n");
    }
    std::fprintf(stderr, "broadloom: %s\n", message.c_str());
    return status;
}

int run(int argc, char** argv) {
    CLI::App app{"broadloom makes one large picture of many frames."};
    app.require_subcommand(1);
    app.set_version_flag("--version", std::string("broadloom ") + version());
    add_weave(app);
    add_gather(app);
    add_align(app);
    add_render(app);
    add_verify(app);
    const std::vector<std::string> words(argv + 1, argv + argc);
    try {
        app.parse(argc, argv);
    } catch (const CLI::Success& e) {  // --help, --version
        return app.exit(e);
    } catch (const CLI::ParseError& e) {
        return fail(static_cast<int>(ErrorCode::usage), {}, usage_message(app, e, words));
    }
    return 0;
}

}  // namespace
}  // namespace broadloom::cli

int main(int argc, char** argv) {
    using broadloom::ErrorCode;
    // Large buffers come from the system and go back to it; few arenas, so that memory freed by one
    // thread serves the others.
    mallopt(M_ARENA_MAX, 2);
    broadloom::cli::give_back_large_buffers();
    // TurboJPEG lets these change how it encodes; the bytes must depend on our options alone.
    for (const char* name : {"TJ_OPTIMIZE", "TJ_PROGRESSIVE", "TJ_RESTART", "TJ_ARITHMETIC"}) {
        unsetenv(name);
    }
    std::signal(SIGINT, broadloom::cli::on_signal);
    std::signal(SIGTERM, broadloom::cli::on_signal);
    std::signal(SIGPIPE, SIG_IGN);
    std::signal(SIGXFSZ, SIG_IGN);
    try {
        return broadloom::cli::run(argc, argv);
    } catch (const broadloom::Error& e) {
        return broadloom::cli::fail(static_cast<int>(e.code()), e.details(), e.what());
    } catch (const std::bad_alloc&) {
        return broadloom::cli::fail(static_cast<int>(ErrorCode::machine), {},
                                    "the system gave no more memory; close other programs or lower "
                                    "--memory and --threads");
    } catch (const std::exception& e) {
        return broadloom::cli::fail(static_cast<int>(ErrorCode::internal), {},
                                    std::string("internal error: ") + broadloom::escaped(e.what()) +
                                        "; please report it with the command that led to it");
    }
}
