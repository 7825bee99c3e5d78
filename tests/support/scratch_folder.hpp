/// A temporary folder that goes with its owner, and other programs' opinions on the files in it.
#pragma once

#include <sys/wait.h>

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <stdexcept>
#include <string>
#include <vector>

namespace broadloom::testing {

class ScratchFolder {
  public:
    ScratchFolder() {
        std::string name =
            (std::filesystem::temp_directory_path() / "broadloom_test_XXXXXX").native();
        if (::mkdtemp(name.data()) == nullptr) throw std::runtime_error("no temporary folder");
        path_ = name;
    }
    ~ScratchFolder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    ScratchFolder(const ScratchFolder&) = delete;
    ScratchFolder& operator=(const ScratchFolder&) = delete;

    [[nodiscard]] const std::filesystem::path& path() const { return path_; }
    [[nodiscard]] std::filesystem::path operator/(const std::string& name) const {
        return path_ / name;
    }

  private:
    std::filesystem::path path_;
};

struct CommandResult {
    int status = -1;  ///< exit status; -1 when it did not end by itself
    std::string output;
};

/// Runs a shell command, standard error joined to its output.
inline CommandResult run_command(const std::string& command) {
    CommandResult result;
    std::FILE* pipe = ::popen(("( " + command + " ) 2>&1").c_str(), "r");
    if (pipe == nullptr) return result;
    char buffer[4096];
    for (size_t n = 0; (n = std::fread(buffer, 1, sizeof buffer, pipe)) > 0;)
        result.output.append(buffer, n);
    const int status = ::pclose(pipe);
    if (WIFEXITED(status)) result.status = WEXITSTATUS(status);
    return result;
}

inline bool has_command(const std::string& name) {
    return run_command("command -v " + name).status == 0;
}

inline std::vector<uint8_t> file_bytes(const std::filesystem::path& path) {
    std::ifstream in(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

}  // namespace broadloom::testing
