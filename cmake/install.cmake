# What `cmake --install` puts in place: the program, the library with its headers, and what CMake and
# pkg-config need to find it.
include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

set(config_folder ${CMAKE_INSTALL_LIBDIR}/cmake/broadloom)

install(TARGETS broadloom_library EXPORT broadloom_targets
  ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR}
  LIBRARY DESTINATION ${CMAKE_INSTALL_LIBDIR}
  INCLUDES DESTINATION ${CMAKE_INSTALL_INCLUDEDIR})
if(TARGET broadloom)
  install(TARGETS broadloom RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
  if(BUILD_SHARED_LIBS)
    file(RELATIVE_PATH bin_to_lib /${CMAKE_INSTALL_BINDIR} /${CMAKE_INSTALL_LIBDIR})
    set_target_properties(broadloom PROPERTIES INSTALL_RPATH "$ORIGIN/${bin_to_lib}")
  endif()
endif()
install(DIRECTORY ${PROJECT_SOURCE_DIR}/include/broadloom
  DESTINATION ${CMAKE_INSTALL_INCLUDEDIR} FILES_MATCHING PATTERN "*.hpp")
foreach(document LICENSE README.md)
  if(EXISTS ${PROJECT_SOURCE_DIR}/${document})
    install(FILES ${PROJECT_SOURCE_DIR}/${document} DESTINATION ${CMAKE_INSTALL_DOCDIR})
  endif()
endforeach()

install(EXPORT broadloom_targets NAMESPACE broadloom:: DESTINATION ${config_folder})
configure_package_config_file(${PROJECT_SOURCE_DIR}/cmake/broadloomConfig.cmake.in
  ${PROJECT_BINARY_DIR}/broadloomConfig.cmake INSTALL_DESTINATION ${config_folder}
  NO_SET_AND_CHECK_MACRO)
# Before 1.0 a minor version may change the interface.
write_basic_package_version_file(${PROJECT_BINARY_DIR}/broadloomConfigVersion.cmake
  COMPATIBILITY SameMinorVersion)
install(FILES ${PROJECT_SOURCE_DIR}/cmake/opencv.cmake ${PROJECT_BINARY_DIR}/broadloomConfig.cmake
  ${PROJECT_BINARY_DIR}/broadloomConfigVersion.cmake DESTINATION ${config_folder})

# A static library's users link its libraries too, a shared one's do not.
set(broadloom_pc_requires "vips libturbojpeg libhwy libtiff-4 libexif libraw_r libdeflate lcms2 libcrypto")
set(broadloom_pc_private "-lopencv_features2d -lopencv_calib3d -lopencv_flann -lopencv_imgproc -lopencv_core -lceres -lglog -lpugixml")
if(BUILD_SHARED_LIBS)
  set(broadloom_pc_requires_line "Requires.private: ${broadloom_pc_requires}")
  set(broadloom_pc_libraries "-lbroadloom")
else()
  set(broadloom_pc_requires_line "Requires: ${broadloom_pc_requires}")
  set(broadloom_pc_libraries "-lbroadloom ${broadloom_pc_private} -pthread")
  if(BROADLOOM_OPENMP)
    string(APPEND broadloom_pc_libraries " ${OpenMP_CXX_FLAGS}")
  endif()
endif()
# From the .pc file's own place, so that an installed tree can be moved.
file(RELATIVE_PATH broadloom_pc_prefix /${CMAKE_INSTALL_LIBDIR}/pkgconfig /)
string(REGEX REPLACE "/$" "" broadloom_pc_prefix "${broadloom_pc_prefix}")
configure_file(${PROJECT_SOURCE_DIR}/cmake/broadloom.pc.in ${PROJECT_BINARY_DIR}/broadloom.pc @ONLY)
install(FILES ${PROJECT_BINARY_DIR}/broadloom.pc DESTINATION ${CMAKE_INSTALL_LIBDIR}/pkgconfig)
